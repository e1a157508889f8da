"""The first hour with a rig: what is connected, a rig file to begin with, what may be written in one."""
