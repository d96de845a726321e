"""Line drawings of placed meshes. Knows nothing of models, joints or steps."""
