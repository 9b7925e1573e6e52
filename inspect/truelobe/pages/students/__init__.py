"""The team's own server: student pages only, in a process of their own.

It is a small web application rather than further Streamlit pages: a phone that slept, lost the network or was
reloaded needs nothing but its cookie to stand where it stood, a tap is one short request that can be sent again,
and what a browser receives is a few lines of JSON that a test can read whole.
"""
