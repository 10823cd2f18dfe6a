/**
 * The second copy, each entry twice in one row: encrypted for this tablet, and sealed for the unit.
 *
 * From the first one it restores what a lost file held; the second one can be sent while nobody has
 * unlocked the tablet, and is of no use to whoever steals it [SEC-12] [SEC-14].
 */
import { aboutEntry, seal } from '../network/sealing';
import { readOperation } from '../sync/operation';
import type { CopyShelf, ProtectedEntry } from './copy-shelf';
import type { Cipher } from './data-key';
import type { CopiedOperation, CopyChange, CopyContent, SecondCopy } from './second-copy';

/** What of an entry is encrypted for this tablet. */
interface OwnPart {
  envelope: string;
  body: string;
  draftId: string | null;
}

export class ProtectedCopy implements SecondCopy {
  readonly #shelf: CopyShelf;
  readonly #cipher: Cipher;

  constructor(shelf: CopyShelf, cipher: Cipher) {
    this.#shelf = shelf;
    this.#cipher = cipher;
  }

  /** Read what opens; an entry that does not is damaged, and as good as not there. */
  async read(): Promise<CopyContent> {
    const { head, entries, plain } = await this.#shelf.read();
    const opened = await Promise.all(entries.map((entry) => this.#open(entry)));
    const operations = [...plain, ...opened.filter((one) => one !== null)];
    if (head !== null && plain.length > 0) await this.write({ head, add: plain, drop: [] });
    return { head, operations };
  }

  async write({ head, add, drop }: CopyChange): Promise<void> {
    const unitKey = head.own?.serverKey ?? null;
    const device = head.device;
    const added = await Promise.all(add.map((entry) => this.#close(device, entry, unitKey)));
    const again = unitKey === null ? [] : await this.#sealLater(device, unitKey, added);
    await this.#shelf.write({ head, add: [...again, ...added], drop });
    this.#sealedFor = unitKey;
  }

  readTrace(): Promise<string | null> {
    return this.#shelf.readTrace();
  }

  writeTrace(device: string): Promise<void> {
    return this.#shelf.writeTrace(device);
  }

  /** The unit's key that every entry is known to be sealed for. */
  #sealedFor: string | null = null;

  /** Entries of the time before the tablet joined this unit are sealed once it has. */
  async #sealLater(
    device: string,
    unitKey: string,
    added: readonly ProtectedEntry[],
  ): Promise<ProtectedEntry[]> {
    if (this.#sealedFor === unitKey) return [];
    const { head, entries } = await this.#shelf.read();
    const isOfThisUnit = head?.own?.serverKey === unitKey;
    const places = new Set(added.map(({ epoch, counter }) => `${epoch}.${counter}`));
    const again: ProtectedEntry[] = [];
    for (const entry of entries) {
      if (places.has(`${entry.epoch}.${entry.counter}`)) continue;
      if (isOfThisUnit && entry.sealed !== null) continue;
      const operation = await this.#open(entry);
      if (operation !== null) again.push(await this.#close(device, operation, unitKey));
    }
    return again;
  }

  async #close(
    device: string,
    { epoch, counter, envelope, body, draftId, takenInMs }: CopiedOperation,
    unitKey: string | null,
  ): Promise<ProtectedEntry> {
    const { hash, previous } = readOperation(envelope, null);
    const own = encode({ envelope, body, draftId } satisfies OwnPart);
    const about = aboutEntry(device, epoch, counter);
    return {
      epoch,
      counter,
      hash,
      previous,
      takenInMs,
      closed: await this.#cipher.close(`${epoch}.${counter}`, own),
      sealed: unitKey === null ? null : await seal(unitKey, about, encode([envelope, body])),
    };
  }

  async #open({
    epoch,
    counter,
    takenInMs,
    closed,
  }: ProtectedEntry): Promise<CopiedOperation | null> {
    const content = await this.#cipher.open(`${epoch}.${counter}`, closed);
    if (content === null) return null;
    const { envelope, body, draftId } = JSON.parse(new TextDecoder().decode(content)) as OwnPart;
    return { epoch, counter, envelope, body, draftId, takenInMs };
  }
}

function encode(content: unknown): Uint8Array {
  return new TextEncoder().encode(JSON.stringify(content));
}
