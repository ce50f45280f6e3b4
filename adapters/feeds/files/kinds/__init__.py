"""The kinds of file: CSV, JSON lines and Parquet, each as rows of cells."""
