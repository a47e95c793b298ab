"""Pages about scored nights: HTML that stands alone, offline, with its data inside."""
