"""What is kept and shown, as frozen values: one module a kind, and their JSON Schemas."""
