"""The page's own files, served as they are: hand-written, no script from elsewhere."""
