"""The page for the phone: a process of its own that follows the daemon and serves one page.

Nothing that plays depends on it. It stands on the standard library alone: five fixed paths,
``GET`` and ``POST`` with a small body, one request a connection, server-sent events.
"""
