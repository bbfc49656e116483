"""Orders, the batches they become, the frozen sheets, and what was read at the bench."""

from requests_app.models.batches import Batch, BatchBooking, BatchEvent, BatchHold, Sheet, StepRecord
from requests_app.models.orders import Order, OrderComponent, OrderEvent
from requests_app.models.recalls import Recall
from requests_app.models.teaching import Course, Section

__all__ = [
    "Batch",
    "BatchBooking",
    "BatchEvent",
    "BatchHold",
    "Course",
    "Order",
    "OrderComponent",
    "OrderEvent",
    "Recall",
    "Section",
    "Sheet",
    "StepRecord",
]
