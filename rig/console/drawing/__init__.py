"""What the console's drawn widgets share: dots in cells, scales, axes and large digits."""
