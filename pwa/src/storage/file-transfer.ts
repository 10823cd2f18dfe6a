/** Saving operations to a file and opening one, from a press to a sentence. */
import type { Signer } from '../network/push-signing';
import type { SavedBy, TakenIn } from '../ports';
import { kindOf } from '../sync/operation';
import { tell, whyOf } from '../told';
import type { AccessNote } from './access-rows';
import { readBundle, writeBundle } from './bundle';
import { collectBundle, signOwnHead, takeInBundle } from './bundle-transfer';
import { openMemoryFile } from './memory-file';
import type { OperationStore } from './operation-store';

/** Return the bytes of a file, and how many operations it holds. */
export async function saveToFile(
  store: OperationStore,
  signer: Signer | null,
  scope: 'all' | 'unsent',
  nowMs: number,
): Promise<{ bytes: Uint8Array<ArrayBuffer>; operations: number }> {
  const signatures = await signOwnHead(store, signer);
  const bundle = { ...collectBundle(store, scope, nowMs), signatures };
  const bytes = await writeBundle(openMemoryFile, bundle);
  return { bytes, operations: bundle.operations.length };
}

/** As many records as one line of the trail may name. */
const RECORDS_A_LINE = 20;

/**
 * Return what is noted of a file that is handed out: who saved it, what scope, and each patient whose
 * records may lie in it, in as many lines as that needs (AU6).
 */
export function notesOfFile(
  store: OperationStore,
  scope: 'all' | 'unsent',
  { person, role, isConfirmed }: SavedBy,
): AccessNote[] {
  const records = scope === 'all' ? store.everyRecord() : store.unsentRecords();
  const patients = records.filter((record) => kindOf(record) === 'patient').sort();
  const lines = Math.max(1, Math.ceil(patients.length / RECORDS_A_LINE));
  return Array.from({ length: lines }, (_, line) => ({
    person,
    role,
    verb: 'save-file',
    object: scope === 'all' ? 'all-records' : 'unsent-records',
    records: patients.slice(line * RECORDS_A_LINE, (line + 1) * RECORDS_A_LINE),
    why: isConfirmed ? '' : 'no-pin-set',
    outcome: 'done',
  }));
}

/** Take in the bytes of a file; the sentence says why nothing was taken in. */
export async function openFile(
  store: OperationStore,
  bytes: Uint8Array,
  nowMs: number,
): Promise<{ kind: 'taken-in'; taken: TakenIn } | { kind: 'refused'; sentence: string }> {
  try {
    const bundle = await readBundle(openMemoryFile, bytes);
    return { kind: 'taken-in', taken: takeInBundle(store, bundle, nowMs) };
  } catch (error) {
    return { kind: 'refused', sentence: tell('nothingTaken', { why: whyOf(error) }) };
  }
}
