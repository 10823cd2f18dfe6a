/** Keys of emergency records: made without a PIN, sealed for whoever has the data key. */
import type { LooseKey, RingContent, SealedKey } from './key-ring-content';
import {
  deriveKey,
  makePair,
  openSealedKey,
  readBase64,
  sealKey,
  unwrap,
  wrap,
  writeBase64,
} from './key-ring-crypto';
import { KEY_BYTES, type RingSurroundings, type RingTurns } from './key-ring-turns';

/** Changes are made within a turn of `RingTurns`. */
export class EmergencyKeys {
  readonly #turns: RingTurns;
  readonly #around: RingSurroundings;

  constructor(turns: RingTurns, around: RingSurroundings) {
    this.#turns = turns;
    this.#around = around;
  }

  /**
   * Return the key of the emergency records in use, making one where there is none; in the clear
   * where there is nothing to seal it for.
   */
  async current(): Promise<{ number: number; key: Uint8Array }> {
    const { slots, pair, lastNumber, sealed } = this.#turns.content;
    if (slots.emergency !== null && this.#turns.isOpenNow(slots.emergency)) {
      return { number: slots.emergency.number, key: readBase64(slots.emergency.key) };
    }
    const number = lastNumber + 1;
    const key = new Uint8Array(this.#around.random(KEY_BYTES));
    const one = { number, key: writeBase64(key) };
    const emergency = { ...one, sinceMs: this.#around.nowMs() };
    const loose = [...(slots.loose ?? []), ...(pair === null ? [one] : [])];
    const added = pair === null ? [] : await this.sealLoose([one], pair.publicKey);
    await this.#turns.write({
      ...this.#turns.content,
      lastNumber: number,
      sealed: [...sealed, ...added],
      slots: { ...slots, emergency, ...(loose.length > 0 && { loose }) },
    });
    return { number, key };
  }

  /** Return the keys of emergency records that were not yet put into the log. */
  async open(dataKey: Uint8Array): Promise<{ number: number; key: Uint8Array }[]> {
    const { pair, sealed } = this.#turns.content;
    if (pair === null || sealed.length === 0) return [];
    const half = await unwrap(await pairKey(dataKey), pair.privateKey, pair.publicKey);
    if (half === null) return [];
    const opened: { number: number; key: Uint8Array }[] = [];
    for (const one of sealed) {
      const key = await openSealedKey(half, one);
      if (key !== null) opened.push({ number: one.number, key });
    }
    return opened;
  }

  /** Return the numbers of emergency records that were not yet put into the log. */
  numbers(): number[] {
    const { sealed, slots } = this.#turns.content;
    return [...sealed, ...(slots.loose ?? [])].map(({ number }) => number);
  }

  /** Forget the key of emergency records that are in the log by now. */
  async drop(number: number): Promise<void> {
    const { slots, sealed } = this.#turns.content;
    const emergency = slots.emergency?.number === number ? null : slots.emergency;
    const rest = sealed.filter((one) => one.number !== number);
    const next = { ...this.#turns.content, sealed: rest, slots: { ...slots, emergency } };
    await this.#turns.write(next, emergency !== slots.emergency);
  }

  /** Return the pair for emergency keys: the one that the data key opens, else a new one. */
  async pairFor(dataKey: Uint8Array): Promise<NonNullable<RingContent['pair']>> {
    const key = await pairKey(dataKey);
    const { pair } = this.#turns.content;
    if (pair !== null && (await unwrap(key, pair.privateKey, pair.publicKey)) !== null) return pair;
    const { publicKey, privateKey } = await makePair();
    const closed = await wrap(key, privateKey, publicKey, this.#around.random);
    return { publicKey, privateKey: closed };
  }

  /** Seal keys that lay in the clear. */
  sealLoose(loose: readonly LooseKey[], publicKey: string): Promise<SealedKey[]> {
    const { random } = this.#around;
    return Promise.all(
      loose.map(({ number, key }) => sealKey(publicKey, number, readBase64(key), random)),
    );
  }
}

function pairKey(dataKey: Uint8Array): Promise<CryptoKey> {
  return deriveKey(new Uint8Array(dataKey), 'crura-emergency-pair');
}
