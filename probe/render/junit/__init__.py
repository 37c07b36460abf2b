"""Documents as JUnit XML, for continuous integration."""
