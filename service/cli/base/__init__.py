"""What every command needs: options, output, times, how it is stopped."""
