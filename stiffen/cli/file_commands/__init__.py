"""Commands that write a file and compute nothing.  May import what `cli` may."""
