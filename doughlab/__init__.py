"""doughlab."""
