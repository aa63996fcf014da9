"""Where fields are surveyed: here in process, on the machine's cores, or on a cluster that is there already."""
