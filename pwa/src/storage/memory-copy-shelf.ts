/** Where the second copy lies, without a disk, for the tests alone: never imported by the app. */
import type {
  CopyShelf,
  PlainEntry,
  ProtectedEntry,
  ShelfChange,
  ShelfContent,
} from './copy-shelf';
import type { CopyHead } from './second-copy';

export class MemoryCopyShelf implements CopyShelf {
  head: CopyHead | null = null;
  entries: ProtectedEntry[] = [];
  plain: PlainEntry[] = [];
  trace: string | null = null;

  async read(): Promise<ShelfContent> {
    return structuredClone({ head: this.head, entries: this.entries, plain: this.plain });
  }

  async write({ head, add, drop }: ShelfChange): Promise<void> {
    const dropped = new Map(drop.map(({ epoch, before }) => [epoch, before]));
    const added = new Set(add.map((one) => `${one.epoch}.${one.counter}`));
    const stays = <Entry extends { epoch: string; counter: number }>({ epoch, counter }: Entry) =>
      counter >= (dropped.get(epoch) ?? 0) && !added.has(`${epoch}.${counter}`);
    this.head = structuredClone(head);
    this.entries = [...this.entries.filter(stays), ...structuredClone(add)];
    this.plain = this.plain.filter(stays);
  }

  async readTrace(): Promise<string | null> {
    return this.trace;
  }

  async writeTrace(device: string): Promise<void> {
    this.trace = device;
  }

  async wipe(): Promise<void> {
    this.head = null;
    this.entries = [];
    this.plain = [];
    this.trace = null;
  }
}
