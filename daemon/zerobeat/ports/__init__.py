"""MIDI ports, the control socket, the service manager."""
