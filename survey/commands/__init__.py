"""Commands of the command line, one a module; each imports what is heavy when it runs, so that help stays quick."""
