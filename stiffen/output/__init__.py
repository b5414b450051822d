"""What is handed over: drawings (`drawing`), cards and reports (`result_document`), pictures (`plots`)."""
