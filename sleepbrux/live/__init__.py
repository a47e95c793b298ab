"""The live chair session: a stream received, kept as it comes, shown, and measured from what was kept.

Reading order: `source` (what sends), `clock` of `recording.stamps`, `keeper` (the file), `screen` (what is shown of
the last seconds), `engine` (these three joined), `protocol` (the order of the test), `session` (protocol and engine
joined, and measured), `server` and `page`.
"""
