"""What people measured and saw, with photos, and beside what sensors said then."""
