"""Makes a version: lock files, wheel, sdist, stage bundles, Debian packages, and their checks."""
