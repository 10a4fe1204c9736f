"""What a person gets: result folders, pictures, pages."""
