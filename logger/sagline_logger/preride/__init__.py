"""The ``check`` command: listen to the standing vehicle before a ride and say what is not right."""
