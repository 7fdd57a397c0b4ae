"""Memory on disk: bank files that travel, how they fit a console, and how two of them differ."""
