"""Values that others published or that other libraries compute, each with its source beside the number."""
