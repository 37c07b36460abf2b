"""Documents made visible: a folder a medium, in it a module a document, found by `renderers`. Decides nothing."""
