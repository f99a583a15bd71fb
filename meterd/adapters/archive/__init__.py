"""Files of an archive, in a folder or on a file server. Read `target`."""
