"""How steep the beam met a foot, estimated from its landmarks: a remark, unproven."""
