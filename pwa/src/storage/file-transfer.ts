/** Saving operations to a file and opening one, from a press to a sentence. */
import type { Signer } from '../network/push-signing';
import type { TakenIn } from '../ports';
import { tell, whyOf } from '../told';
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
