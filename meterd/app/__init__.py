"""Where everything meets: command line, plan, daemon, clock."""
