/**
 * A new tablet starts from the unit's sealed segments; what came after them is pulled.
 *
 * Nothing here is needed for a right record: whatever is left out comes by the pull (SN4).
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import type { OperationStore, OwnDevice, PulledRow } from '../storage/operation-store';
import { MalformedOperationError } from '../sync/errors';
import { type SegmentMark, writeSegmentText } from '../sync/signing';
import { isSigned } from './server-signature';
import { NoAnswerError, RefusedError, type UnitRequests } from './unit-requests';

/** As the unit lists it. */
interface Segment extends SegmentMark {
  /** By the unit's key, in base64 (SG10). */
  signature: string;
}

/** A segment holds about 4 MiB of bodies; more than this is none. */
const MAX_SEGMENT_BYTES = 32 * 1024 * 1024;

/** A segment that the unit did not sign, or that is not what its name or the list says: no person hears. */
class UnsoundSegmentError extends Error {}

/**
 * Take in the segments of every stream, from where each was read to (SN3).
 *
 * Called when a device has joined.
 *
 * A tablet that has written anything pulls instead: its own log is compared first (EX2).
 *
 * @param onRecords - hears the records that each segment touched
 */
export async function takeSnapshots(
  store: OperationStore,
  requests: UnitRequests,
  around: { nowMs(): number; onRecords(records: string[]): void },
): Promise<void> {
  const own = store.ownDevice();
  if (own === null || own.token === null) return;
  for (const stream of own.streams) {
    if (hasWritten(store)) return;
    try {
      await takeStream(store, requests, own, stream, around);
    } catch (error) {
      // No network, or a unit of an older release: the pull will tell.
      if (error instanceof NoAnswerError || error instanceof RefusedError) return;
      if (!(error instanceof UnsoundSegmentError)) throw error;
    }
  }
}

function hasWritten(store: OperationStore): boolean {
  return store.database.select('SELECT 1 FROM own_epoch WHERE counter > 0 LIMIT 1').length > 0;
}

async function takeStream(
  store: OperationStore,
  requests: UnitRequests,
  { token, serverKey = '' }: OwnDevice,
  stream: string,
  around: { nowMs(): number; onRecords(records: string[]): void },
): Promise<void> {
  const { segments } = await requests.get<{ segments: Segment[] }>(
    `/api/exchange/snapshot?stream=${stream}`,
    token ?? '',
  );
  for (const listed of segments) {
    const segment = { ...listed, stream };
    const readTo = store.cursors()[stream] ?? 0;
    if (segment.last <= readTo) continue;
    await refuseUnsigned(serverKey, segment, readTo);
    const content = await requests.file(`/api/exchange/snapshot/${segment.digest}`, token ?? '');
    const rows = await readSegment(content, segment);
    const touched = store.applyPulled(stream, rows, segment.last, around.nowMs());
    if (touched.length > 0) around.onRecords(touched);
  }
}

/** Refuse a segment of another key, and one that would leave something between unread (SG10). */
async function refuseUnsigned(serverKey: string, segment: Segment, readTo: number): Promise<void> {
  if (segment.after > readTo) {
    throw new UnsoundSegmentError('left-out');
  }
  if (!(await isSigned(serverKey, segmentText(segment), segment.signature))) {
    throw new UnsoundSegmentError('not-signed');
  }
}

function segmentText(segment: Segment): string {
  try {
    return writeSegmentText(segment);
  } catch (error) {
    if (!(error instanceof MalformedOperationError)) throw error;
    throw new UnsoundSegmentError(error.message);
  }
}

async function readSegment(
  content: Uint8Array<ArrayBuffer>,
  { digest, first, last, operations }: Segment,
): Promise<PulledRow[]> {
  if (bytesToHex(sha256(content)) !== digest) {
    throw new UnsoundSegmentError('not-its-name');
  }
  const lines = (await unsqueeze(content)).split('\n');
  if (lines.pop() !== '') throw new UnsoundSegmentError('cut-off');
  const rows = lines.map((line) => JSON.parse(line) as PulledRow);
  const isListed =
    rows.length === operations && rows.at(0)?.[0] === first && rows.at(-1)?.[0] === last;
  if (!isListed) throw new UnsoundSegmentError('not-as-listed');
  return rows;
}

async function unsqueeze(content: Uint8Array<ArrayBuffer>): Promise<string> {
  const decoder = new TextDecoder();
  const reader = new Blob([content])
    .stream()
    .pipeThrough(new DecompressionStream('gzip'))
    .getReader();
  let text = '';
  for (let size = 0; ; ) {
    const { done, value } = await reader.read();
    if (done) return text + decoder.decode();
    size += value.length;
    if (size > MAX_SEGMENT_BYTES) {
      await reader.cancel();
      throw new UnsoundSegmentError('too-large');
    }
    text += decoder.decode(value, { stream: true });
  }
}
