"""What is typed: one thin module per command."""
