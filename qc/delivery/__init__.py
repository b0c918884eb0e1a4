"""What is handed to a client: a folder that can be used, checked and cited (contract 10)."""
