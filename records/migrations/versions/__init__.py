"""The steps from one version of the store to the next."""
