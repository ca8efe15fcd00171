"""Before building: what every rig would see, how well it would know the pose, and whether the robot would score."""
