"""The first settings file: what nobody can guess, asked for or read off pictures, in some twenty lines."""
