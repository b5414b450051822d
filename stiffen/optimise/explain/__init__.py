"""Why a layout is as it is: what each bead adds, what would help, what the other face would save.

Works on the result of a search, by the surrogate, calibrated at the layout handed out, and by the shell where a
statement hangs on it.  The work is counted.  Imports nothing above `optimise.search`.
"""
