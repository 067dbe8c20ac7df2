"""One self-contained page about a bench."""
