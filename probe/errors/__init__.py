"""Error counts: attribution to link, end and direction; coverage; log lines; limits; ratios. Pure."""
