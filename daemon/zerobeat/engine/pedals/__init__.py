"""The pedalboard part of the engine: switches, bindings, actions, lights."""
