"""What `check`, `tally` and `search` do with a build file.  May import what `cli` may."""
