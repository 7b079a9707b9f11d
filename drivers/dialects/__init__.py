"""One command dialect a file; `drivers.catalogue` names them."""
