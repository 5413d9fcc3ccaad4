"""What leaves the shop: sheets, labels and reports, set in Typst, and their check."""
