"""What is found out once about a place, and the one runner of steps."""
