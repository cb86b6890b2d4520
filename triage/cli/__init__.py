"""The command line: read the words, call one workflow function, show the answer."""
