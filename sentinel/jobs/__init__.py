"""What is done before and after a session: plan, align, simulate, replay, tune, report."""
