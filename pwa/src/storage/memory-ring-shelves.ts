/** The homes of the key ring without a disk, for the tests alone: never imported by the app. */
import type { RingShelf, RingShelves } from './key-ring-shelves';

export class MemoryRingShelf implements RingShelf {
  places: (Uint8Array<ArrayBuffer> | null)[] = [null, null];
  /** What the browser does to the next calls: reading or writing fails. */
  fails: 'read' | 'write' | null = null;
  writes = 0;
  /** Cut this write off (counted from 1), as a power cut does: so many bytes of it are there. */
  cut: { write: number; bytes: number } | null = null;

  async read(): Promise<Uint8Array[]> {
    if (this.fails === 'read') throw new Error('unreadable disk');
    return this.places.filter((one) => one !== null).map((one) => one.slice());
  }

  async write(place: 0 | 1, content: Uint8Array<ArrayBuffer>): Promise<void> {
    if (this.fails === 'write') throw new Error('disk full');
    this.writes += 1;
    if (this.cut !== null && this.writes >= this.cut.write) {
      const before = this.places[place] ?? new Uint8Array();
      const torn = new Uint8Array(Math.max(before.length, content.length));
      torn.set(before);
      if (this.writes === this.cut.write) torn.set(content.slice(0, this.cut.bytes));
      this.places[place] = torn;
      throw new Error('power cut');
    }
    this.places[place] = content.slice();
  }

  async wipe(): Promise<void> {
    this.places = [null, null];
  }

  /** Everything that lies here, as text. */
  text(): string {
    return this.places.map((one) => new TextDecoder().decode(one ?? undefined)).join('\n');
  }
}

export function memoryShelves(): {
  files: MemoryRingShelf;
  indexed: MemoryRingShelf;
} & RingShelves {
  return { files: new MemoryRingShelf(), indexed: new MemoryRingShelf() };
}
