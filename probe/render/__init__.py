"""Documents made readable: terminal. Reads documents only; decides nothing."""
