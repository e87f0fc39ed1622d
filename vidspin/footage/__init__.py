"""What is in the file: the only package that knows PyAV."""
