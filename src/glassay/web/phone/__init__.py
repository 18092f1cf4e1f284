"""Photos from the phone: an upload-only page on the local network, for a short time.

People photograph through the eyepiece with their phone. The page takes files into the folder of uploads
that wait, and shows nothing of the bench. It is a server of its own, beside the workbench's.
"""
