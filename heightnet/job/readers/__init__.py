"""One file a kind of field files: what it claims, and how it becomes tables of text."""
