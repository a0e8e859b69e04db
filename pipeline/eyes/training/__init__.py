"""The training recipe: rendered pictures, ultralytics, held-out figures, export."""
