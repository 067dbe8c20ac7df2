"""What is on the bench and what was read there: `load.load_bench`, `columns.read_sweep`, `template.template_files`."""
