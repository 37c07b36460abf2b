"""Reading the machine again and again: sampler, traffic counters, device events. May not: judging, drawing."""
