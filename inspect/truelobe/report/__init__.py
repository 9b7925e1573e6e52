"""What leaves the tool: annotated pictures, tables, printable sheets, exports."""
