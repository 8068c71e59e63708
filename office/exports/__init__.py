"""The records in the forms that others read: CSV, XLSX, a data package, Darwin Core, Parquet.

Every export reads the public views within one read transaction, row by row, and puts whole files in place:
whoever looks sees the old file or the new one. The same records give the same bytes (but for XLSX, whose format
holds the time of writing).
"""
