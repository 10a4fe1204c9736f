"""How these pages become a site: python -m sphinx -W --keep-going -b html docs build/site

Nothing in the site asks for anything from a network when it is looked at.
"""

from __future__ import annotations

import timingcam

project = "timingcam"
author = ""
copyright = ""
html_show_copyright = False
release = version = timingcam.__version__
language = "en"

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
root_doc = "index"
source_suffix = {".md": "markdown"}

myst_heading_anchors = 4
myst_enable_extensions = ["colon_fence"]

html_theme = "furo"
html_title = f"timingcam {version}"
html_copy_source = False
html_show_sphinx = False
html_css_files = ["site.css"]
html_static_path = ["static"]

autodoc_typehints = "none"  # the docstrings name types and shapes in words
autodoc_member_order = "bysource"
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_ivar = True

# What a build without a network leaves to `-b linkcheck`: pages outside.
linkcheck_timeout = 20
linkcheck_anchors = False
