"""Who is told, and did it arrive?

`message_log` puts messages in line with what they tell of and keeps every attempt, `sending` is the thread that
sends them, `together` folds those of one event and makes the reports of morning and evening, `channels` are the
ways out (names in the registry, addresses in secrets). `audience` says whom there is to tell, in which languages,
`stays` how the guests of one stay are reached, `arrivals` tells those who came while something stands. `power`,
`battery` and `lamp` (with `lamp_reader`) warn beforehand; `alive` tells that the collector is dead, and `sign` is
the retained message for the sign in a cabin.
"""
