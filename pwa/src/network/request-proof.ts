/**
 * Proves that a request is this device's own: signed over method, address and body, under a nonce
 * of the unit's (RQ1-RQ4).
 */
import { LABEL, writeParameters, writeRequestBase } from '../sync/request-signing';
import type { Signer } from './push-signing';

/** Who signs, and under which name the unit knows the key. */
export interface Identity {
  device: string;
  signer: Signer;
}

/** One request before it is signed; `path` with its query. */
export interface Unsigned {
  method: string;
  path: string;
  body: string | ArrayBuffer | Uint8Array<ArrayBuffer> | null;
}

/** The header in which the unit hands out the nonce for the next request. */
export const NONCE_HEADER = 'Crura-Nonce';
/** What a request that was refused for its nonce alone is called. */
export const NONCE_PROBLEM = '/problems/nonce';

/** Return the headers by which a device signs one request. */
export async function signRequest(
  { device, signer }: Identity,
  { method, path, body }: Unsigned,
  nonce: string,
): Promise<Record<string, string>> {
  // As the browser puts it on the line; the host plays no part.
  const address = new URL(path, 'https://unit.invalid');
  const digest = await digestOf(body);
  const proof = { device, nonce };
  const base = writeRequestBase(proof, {
    method,
    path: address.pathname,
    query: address.search.slice(1),
    content_digest: digest,
  });
  return {
    'Content-Digest': digest,
    'Signature-Input': `${LABEL}=${writeParameters(proof)}`,
    Signature: `${LABEL}=:${await signer.sign(base)}:`,
  };
}

async function digestOf(body: Unsigned['body']): Promise<string> {
  const bytes =
    typeof body === 'string' ? new TextEncoder().encode(body) : (body ?? new Uint8Array());
  const digest = new Uint8Array(await crypto.subtle.digest('SHA-256', bytes));
  return `sha-256=:${btoa(String.fromCharCode(...digest))}:`;
}

/** More than so many requests are never on their way at once; more nonces are let go. */
const MOST_KEPT = 16;
/** So many are asked for when none is left: the requests beside this one need some too. */
const ASKED_FOR = 4;

/** Nonces for requests to come: each answer brings one, and several are asked for at the start. */
export class NoncePool {
  #kept: string[] = [];
  /** Tells whether the unit knows nonces. */
  #asking: Promise<boolean> | null = null;

  /**
   * Take a nonce; null from a unit of an older release, which has none.
   *
   * @param ask - asks the unit for so many; null where it does not know them
   */
  async take(ask: (count: number) => Promise<string[] | null>): Promise<string | null> {
    for (;;) {
      const kept = this.#kept.pop();
      if (kept !== undefined) return kept;
      // Whoever comes meanwhile waits for the same answer, and asks anew where too few came.
      this.#asking ??= ask(ASKED_FOR)
        .then((nonces) => {
          this.#kept.push(...(nonces ?? []));
          return nonces !== null && nonces.length > 0;
        })
        .finally(() => {
          this.#asking = null;
        });
      if (!(await this.#asking)) return null;
    }
  }

  /** Keep what an answer brought. */
  keep(nonce: string | null): void {
    if (nonce !== null && nonce !== '' && this.#kept.length < MOST_KEPT) this.#kept.push(nonce);
  }

  /** Let go of all: the server has started anew, or was silent for long. */
  clear(): void {
    this.#kept = [];
  }
}
