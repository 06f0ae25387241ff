"""Files to pictures and profiles; section against background, plate surfaces, toes and face."""
