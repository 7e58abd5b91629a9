"""The workbench in a browser: pages, API and what guards them."""
