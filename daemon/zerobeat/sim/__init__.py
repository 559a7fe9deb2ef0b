"""A virtual case of oscillators, flawed on purpose."""
