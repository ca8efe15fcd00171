"""What the corners tell: poses with their covariance."""
