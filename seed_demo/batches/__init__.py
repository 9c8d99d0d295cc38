"""What one invented household fermented for a question: its vessels, and the conditions that they shared."""
