"""What is printed: recipes, charts, their keys, and rehearsals of printing and scanning them."""
