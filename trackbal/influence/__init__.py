"""What one unit of an adjuster does to each reading, with its covariance; its file; two of them compared."""
