"""In which language is it said? The gettext catalogues of what guests and owners read (`fr.po`, `de.po`, `es.po`).

`catalogue` reads them. A catalogue's header `X-Reviewed-By` names who has checked it; while it is empty, the
English stands above whatever the catalogue says.
"""
