"""Measuring a rig: plays voices through the daemon, reads their pitch, keeps profiles."""
