"""Start of the pages: `streamlit run app.py`. Everything else lives in `inspect/truelobe/`."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "inspect"))

from truelobe.pages import main

main()
