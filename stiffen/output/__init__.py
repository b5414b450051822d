"""Output: drawings (`drawing`), cards and reports (`report`), pictures (`plots`); `bench_files` writes all of them."""
