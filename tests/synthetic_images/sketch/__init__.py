"""A renderer of its own: pictures of solder joints from analytic slope fields, a second opinion on the measuring code.

No rays are traced. Every surface is a field of slopes, every ring of lights a band of slopes blurred by roughness.
Shapes, materials, camera and truth are written for these boards alone; with synthetic_images and vision they share
no code but vision.setup, in whose terms family and station are described. All boards and parts are invented.
"""
