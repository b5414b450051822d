"""The stages of the search at one gauge: regular layouts, moves, what the shell model says of them."""
