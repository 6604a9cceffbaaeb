"""The pages: each reads through the store, says it in words, and draws."""
