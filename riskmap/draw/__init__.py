"""What map, figure, report and crew sheets share: colours, symbols, classes, reach areas, cautions."""
