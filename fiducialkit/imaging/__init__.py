"""What a camera sees: pictures in, marker corners out."""
