"""One page of a batch, to read by someone who was not there."""
