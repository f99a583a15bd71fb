"""Work spread over processes: of this machine, or of a cluster that runs. Read `workers`."""
