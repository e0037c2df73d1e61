"""The invented fleet of the `demo` command: who, what, and the stories planted in it."""
