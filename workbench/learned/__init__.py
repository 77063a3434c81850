"""What a network learned, and how it is used: a starless frame from one with stars.

``starless.onnx`` holds the weights, ``training.json`` how they came about (seeds, versions, checksum), the folder
``training`` the code that made them. Running it needs onnxruntime (extra ``learned``), training it PyTorch.
"""
