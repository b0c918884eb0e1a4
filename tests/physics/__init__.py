"""Physics: properties and cases; published values stand in tests/external."""
