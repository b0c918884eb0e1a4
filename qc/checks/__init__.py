"""One file a check; the folder is the registry."""
