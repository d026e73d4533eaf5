"""What can be known of a fault. Nothing here reads a file, a clock or a policy."""
