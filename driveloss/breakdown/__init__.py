"""Every loaded reading split into its parts."""
