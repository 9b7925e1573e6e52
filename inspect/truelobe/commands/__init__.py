"""The jobs of the command line, one module each: `add_<job>(subparsers)` registers it, `run` does it."""
