"""Time series over long ranges: rollups, chart data, months archived to files."""
