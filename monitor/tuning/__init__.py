"""What recorded evidence says of the next batch: climb depth, bulking, thresholds, wear."""
