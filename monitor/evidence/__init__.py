"""What is kept of a batch: the store, the clips and the exports."""
