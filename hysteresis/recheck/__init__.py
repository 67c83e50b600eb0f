"""In half a minute: is the stored model still right for the tolerance, and what has moved?"""
