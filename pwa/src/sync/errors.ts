/**
 * Errors of the record, each with a sentence for the person who must act. Twin of `errors.py`.
 *
 * SyncError
 *   MalformedOperationError   the bytes are no operation; nothing was taken in
 *   ForgedOperationError      the bytes contradict their own commitment
 *   BrokenChainError          the operation does not continue the log it names
 *   ChangedBatchError         a batch in rows is not what was sent; nothing was taken in
 */

/** Anything the record refuses; the text says what to do next. */
export class SyncError extends Error {
  override name = 'SyncError';
}

/** The text is not an operation as SPEC.md OP1-OP7 lays down. */
export class MalformedOperationError extends SyncError {
  override name = 'MalformedOperationError';
}

/** The body does not match the commitment in the envelope (OP5). */
export class ForgedOperationError extends SyncError {
  override name = 'ForgedOperationError';
}

/** The operation does not follow the one held before it (LG2). */
export class BrokenChainError extends SyncError {
  override name = 'BrokenChainError';
}

/** Rows do not build what their digest says (EX17). */
export class ChangedBatchError extends SyncError {
  override name = 'ChangedBatchError';
}
