"""Keeps each foot's pour plan beside the live visit: made in a thread of its own, once for each question.

Folding never waits for it. A fault in it ends this thread with its traceback, and the visit goes on.
"""

from __future__ import annotations

import threading
from typing import Any

from hoofsense.plan_question import PlanQuestion, plan_question
from hoofsense.plan_view import missing_for_plan, plan_view
from hoofsense.records import Foot
from hoofsense.visit_state import VisitState


class PlanKeeper:
    """told() gives the plans as they stand; the thread begins with the first plan that takes a while."""

    def __init__(self) -> None:
        self._asked: dict[Foot, PlanQuestion] = {}
        self._answered: dict[Foot, tuple[PlanQuestion, dict[str, Any]]] = {}
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None

    def told(self, state: VisitState) -> dict[str, dict[str, Any]]:
        """The view keys "plan/LF" and the like; a plan that is being made anew is told as it was before.

        While hot air is on a foot its plan stays as it is: the sole's temperature means nothing then.
        """
        with self._changed:
            for foot in state.feet:
                if foot.heat_on and foot.foot in self._answered:
                    continue
                question = plan_question(state, foot)
                if question is not None and self._is_new(foot.foot, question):
                    self._ask(foot.foot, question)
            return {f"plan/{foot.value}": answer for foot, (_, answer) in self._answered.items()}

    def finished(self, state: VisitState) -> dict[str, dict[str, Any]]:
        """The same once every plan of this state is made, by whoever calls."""
        for foot in state.feet:
            question = plan_question(state, foot)
            if question is not None:
                answer = plan_view(question)
                with self._changed:
                    self._asked.pop(foot.foot, None)
                    self._answered[foot.foot] = (question, answer)
        return self.told(state)

    def _is_new(self, foot: Foot, question: PlanQuestion) -> bool:
        waiting = self._asked.get(foot)
        if waiting is not None:
            return waiting != question
        return foot not in self._answered or self._answered[foot][0] != question

    def _ask(self, foot: Foot, question: PlanQuestion) -> None:
        if missing_for_plan(question):
            self._asked.pop(foot, None)
            self._answered[foot] = (question, plan_view(question))
            return
        self._asked[foot] = question
        if self._thread is None:
            self._thread = threading.Thread(target=self._make, name="pour plans", daemon=True)
            self._thread.start()
        self._changed.notify_all()

    def _make(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._asked))
                foot, question = next(iter(self._asked.items()))
            answer = plan_view(question)
            with self._changed:
                if self._asked.get(foot) == question:
                    del self._asked[foot]
                    self._answered[foot] = (question, answer)
