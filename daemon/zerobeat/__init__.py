"""zerobeat: keeps a case of modular oscillators in tune, note by note."""

__version__ = "0.1.0"
