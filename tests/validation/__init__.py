"""Validation: every figure of ``sleepbrux/docs/validation.md``, remade by ``python -m tests.validation``."""
