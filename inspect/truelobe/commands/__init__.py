"""One module per job of the command line; each registers itself with `add_<job>(subparsers)`."""
