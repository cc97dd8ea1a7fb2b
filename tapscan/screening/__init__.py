"""From readings to calls: baselines, scores, false-call control, indications."""

__all__: list[str] = []
