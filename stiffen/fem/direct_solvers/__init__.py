"""Sparse direct solvers: own multifrontal factors, and SuperLU, behind one interface (`sparse_lu.factorise`)."""
