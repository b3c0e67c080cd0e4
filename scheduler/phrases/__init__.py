"""What a terminal and a screen say in the same words; lines, widths and colours are theirs."""
