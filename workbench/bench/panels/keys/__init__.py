"""The drawer with what keys, wheel and mouse do."""
