"""What growers are owed and when (`schedule`), and the process that sends it (`sender`)."""
