"""Blanks and pecks from the cutting sound: `cycle` holds what is known, `follow` takes it on hop by hop."""
