"""What `truelobe open` hands to Streamlit. It lies in a folder of its own, since Streamlit puts that folder first
on the import path, where a module of ours could hide somebody else's."""

from truelobe.pages import main

main()
