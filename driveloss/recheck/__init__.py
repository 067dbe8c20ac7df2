"""Has the machine changed since it was calibrated?"""
