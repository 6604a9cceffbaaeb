"""What is on record of cabins' months: what the water was, what people did, what nobody knows, and who signed it.

`fleet` is how all units' month went so far; `calendar` is which months, by whose clock; `water` sums time,
litres and doses of all units of a month at once;
`deeds` is what people did and found; `unknown` is what was not heard, refused or never known; `signed` keeps who
signed a month's figures, and says what has changed since.
"""
