"""What is remembered: advice as it was given, and the policies it was given under."""
