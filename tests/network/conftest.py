"""Test modules of all rooms of the network find ``build`` and ``oracle`` beside this file."""
