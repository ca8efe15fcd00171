"""What is where: frames, lenses, markers, the field, the robot, and what hides what."""
