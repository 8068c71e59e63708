"""What in the records somebody should look at again, with a sentence for each and the bytes behind the values."""
