"""What people see: Streamlit pages, charts, printable notices and the command line."""
