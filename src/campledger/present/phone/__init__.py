"""The page on a phone: whole screens and parts of them, as plain HTML."""
