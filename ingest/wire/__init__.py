"""What did a logger or a file say?

`mqtt` is the collector's persistent session with its broker, `sessions` what that broker kept of it. `senml`
decodes a pack (RFC 8428), `senml_lines` files of packs, `csv_log` files with a header (`csv_shape`: how one is
written; `csv_lines`, `csv_cells`: its lines and cells). `csv_look` says what a file is taken for before it is read
(`csv_head`, `csv_headers`, `date_orders`: on what evidence), `csv_told` what somebody said of it, `profiles` keeps
that. `limits` says how much of a message is taken, `aside` keeps whole what is past that.
"""
