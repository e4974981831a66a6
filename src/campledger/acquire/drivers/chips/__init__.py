"""One file a chip, named as the rig file names it; each has a ``build`` function."""
