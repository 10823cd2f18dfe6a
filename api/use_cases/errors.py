"""What a use case refuses; the text is one sentence for the person who must act.

UseCaseError
  UnknownDeviceError      no device is known by this token
  NotAllowedError         the device is known and may not do this
  JoinRefusedError        the code or the id does not let a device join
  TooManyTriesError       too many wrong codes in a short time
  UnreadablePushError     the push breaks the structure; nothing was written
  TooLargeError           more than one request may carry
  NoSuchPictureError      the bytes of a picture have not come yet
  UnnamedPictureError     no record names the picture
  PictureRefusedError     bytes that are not those of the picture named
  ScenarioError           the story contradicts itself or the catalogue; nothing was written
  NoSuchSegmentError      no sealed segment of the log has this name
  CalculationError        the calculation was refused
"""

from typing import Any


class UseCaseError(Exception):
    """Anything a use case refuses; nothing was written."""


class UnknownDeviceError(UseCaseError):
    """No device is known by this token."""


class NotAllowedError(UseCaseError):
    """The device is known and may not do this."""


class JoinRefusedError(UseCaseError):
    """The code or the id does not let a device join."""


class TooManyTriesError(UseCaseError):
    """Too many wrong codes in a short time."""


class UnreadablePushError(UseCaseError):
    """The push breaks the structure; nothing of it was written."""


class TooLargeError(UseCaseError):
    """More than one request may carry."""


class NoSuchSegmentError(UseCaseError):
    """No sealed segment of the log has this name here."""


class NoSuchPictureError(UseCaseError):
    """The bytes of a picture have not come yet."""


class UnnamedPictureError(UseCaseError):
    """No record here names the picture."""


class PictureRefusedError(UseCaseError):
    """The bytes are not those of the picture that was named; nothing of them was kept."""


class ScenarioError(UseCaseError):
    """The story contradicts itself or the catalogue; nothing of it was written."""


class CalculationError(UseCaseError):
    """The calculation was refused; ``answer`` says what was missing, where anything was."""

    def __init__(self, sentence: str, answer: dict[str, Any] | None = None) -> None:
        super().__init__(sentence)
        self.answer = answer
