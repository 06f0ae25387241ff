"""Pictures of known truth, and what the program makes of them: accuracy and speed."""
