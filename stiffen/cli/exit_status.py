"""Exit status of the commands.

0 all demands met; 1 a demand not met or a shop rule broken; 2 bad input, or a place that cannot be written; 3 a mesh
or a solver failed, or memory ran out; 130 stopped by Ctrl-C, SIGTERM or SIGHUP with nothing to hand over, or because
nobody reads the output any more.
"""

MET, NOT_MET, BAD_INPUT, FAILED, STOPPED = 0, 1, 2, 3, 130
