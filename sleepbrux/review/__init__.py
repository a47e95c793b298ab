"""A page, served to this machine only, on which a person looks at a night and decides."""
