"""The setup of the car: sheets, files of them, and the log that ties them to recordings."""
