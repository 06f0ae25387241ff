"""Where a person looks: overlay, printable target."""
