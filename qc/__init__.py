"""Quality control for automatic weather stations."""
