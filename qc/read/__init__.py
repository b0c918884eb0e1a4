"""From table files to a Record."""
