"""What a link can carry: line rate, packet overhead, ceiling, the path from the root. Pure arithmetic."""
