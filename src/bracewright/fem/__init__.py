"""The plate model: parts, meshes, joints, K and M, modes."""
