"""The pitch of one take, with an uncertainty that is true, or a named refusal."""
