"""What is handed over: drawings (`drawing`), cards and reports (`report`), pictures (`plots`)."""
