"""What every room shares: records, settings, times, tables, files, errors. Nothing here knows the sun."""
