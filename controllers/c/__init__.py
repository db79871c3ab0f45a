"""Control laws as C99: written from the Program, the same one that is executed, costed and bounded.

`export.export_law` writes the files, `snippet.c_vector` one test vector. Nothing is imported here: the price
of a law asks for `flow` and `ranges` alone, and must not wait for numba.
"""
