"""What a use case refuses; the text is one sentence for the person who must act.

UseCaseError
  UnknownDeviceError      no device is known by this token
  UnknownPersonError      nobody is logged in, or the log-in is wrong
    NonceRefusedError     the request is signed under a nonce that is not good any more
  NotAllowedError         the device is known and may not do this
    DeviceWaitingError    nobody has confirmed the key of the device yet
    DeviceRevokedError    the device was revoked; says whether it is to clear itself
  JoinRefusedError        the code or the id does not let a device join
  TooManyTriesError       too many tries in a short time
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


class UnknownPersonError(UseCaseError):
    """Nobody is logged in, or what was shown to log in is wrong."""


class NonceRefusedError(UnknownDeviceError):
    """The request is signed under a nonce that is over, used or of an earlier start."""


class NotAllowedError(UseCaseError):
    """The device is known and may not do this."""


class DeviceWaitingError(NotAllowedError):
    """The device has joined, and nobody has confirmed its key yet."""


def write_revoked(*, is_unit: bool) -> str:
    """Return what a device that was revoked is told; a unit something else (RG22)."""
    if is_unit:
        return (
            "This unit was revoked at the hub. If it is to come back, ask whoever looks after the "
            "hub for a new invitation, and join again: `crura hub join LINK`."
        )
    return (
        "This device was revoked. What it recorded is kept aside for the data manager; use "
        "another device."
    )


class DeviceRevokedError(NotAllowedError):
    """The device was revoked; ``told`` is what the unit signed of it, for the device to act on."""

    # A ToldRevocation, made by a use case.
    def __init__(self, told: Any, *, is_unit: bool = False) -> None:  # noqa: ANN401
        super().__init__(write_revoked(is_unit=is_unit))
        self.told = told


class JoinRefusedError(UseCaseError):
    """The code or the id does not let a device join."""


class TooManyTriesError(UseCaseError):
    """Too many tries in a short time; good again after so many seconds."""

    def __init__(self, sentence: str, *, retry_after_s: int = 60) -> None:
        super().__init__(sentence)
        self.retry_after_s = retry_after_s


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
