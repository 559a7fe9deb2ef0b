"""What the daemon keeps: durable files, the store, the session, backups."""
