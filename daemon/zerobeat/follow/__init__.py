"""Follow: keeps every voice where its profile was measured, by what the player plays."""
