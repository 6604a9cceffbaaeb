"""What did a logger or a file say?

`mqtt` is the collector's persistent session with its broker, `sessions` what that broker kept of it. `senml`
decodes a pack (RFC 8428), `senml_lines` files of packs, `csv_log` files with a header. `limits` says how much of a
message is taken, `aside` keeps whole what is past that.
"""
