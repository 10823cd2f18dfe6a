/**
 * Argon2id (RFC 9106): makes a key from a PIN slowly, so that trying every PIN takes long.
 *
 * The program is fetched with the app and read when a PIN is first asked for. One hash holds the
 * whole memory it is given, so that only a worker calls this.
 */
import { argon2id } from 'hash-wasm';
import type { ArgonCost } from '../storage/key-ring-cost';

const KEY_BYTES = 32;

/** Return 32 bytes made from a secret text and a salt of at least 8 bytes. */
export function hashArgon(text: string, salt: Uint8Array, cost: ArgonCost): Promise<Uint8Array> {
  return argon2id({
    password: text,
    salt,
    memorySize: cost.memoryKiB,
    iterations: cost.passes,
    parallelism: cost.lanes,
    hashLength: KEY_BYTES,
    outputType: 'binary',
  });
}
