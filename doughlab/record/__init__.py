"""The record room: what was written down, and what it means for every ball.

`journal.append` stores rows so that an acknowledged one is never lost; `records.read_records`
gives the current view of all journals, corrections applied. From a plan and the records follow
the state of each ball (`balls.ball_states`), one value per ball (`readings.ball_values`), one
score per judge and ball (`scores.ball_scores`), what is due (`due.due`) and every problem of the
folder (`checks.check_folder`). Nothing here needs numpy or pandas.
"""
