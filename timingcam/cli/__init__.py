"""The command line: words around the library."""
