"""The running daemon: its loop, and all that only it uses."""
