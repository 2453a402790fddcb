"""A page in the browser, served from this machine: see the jars, put lines right, add photos."""
