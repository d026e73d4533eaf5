"""The HTTP door: routes of a few lines that call the service, and errors in one shape."""
