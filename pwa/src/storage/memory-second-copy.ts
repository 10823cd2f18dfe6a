/** The second copy without a disk, for the tests alone: never imported by the app. */
import type { CopyChange, CopyContent, CopyHead, SecondCopy } from './second-copy';

export class MemorySecondCopy implements SecondCopy {
  content: CopyContent;
  trace: string | null = null;
  /** What the browser does to the next calls: reading or writing fails with this message. */
  fails: 'read' | 'write' | null = null;
  writes = 0;

  constructor(head: CopyHead | null = null) {
    this.content = { head, operations: [] };
  }

  /** Forget everything but the trace, as a browser that throws its database away. */
  wipe(): void {
    this.content = { head: null, operations: [] };
  }

  async read(): Promise<CopyContent> {
    if (this.fails === 'read') throw new Error('the connection was lost');
    return structuredClone(this.content);
  }

  async write({ head, add, drop }: CopyChange): Promise<void> {
    if (this.fails === 'write') throw new Error('no space left');
    this.writes += 1;
    const dropped = new Map(drop.map(({ epoch, before }) => [epoch, before]));
    const added = new Set(add.map((one) => `${one.epoch}.${one.counter}`));
    const kept = this.content.operations.filter(
      ({ epoch, counter }) =>
        counter >= (dropped.get(epoch) ?? 0) && !added.has(`${epoch}.${counter}`),
    );
    this.content = structuredClone({ head, operations: [...kept, ...add] });
  }

  async readTrace(): Promise<string | null> {
    return this.trace;
  }

  async writeTrace(device: string): Promise<void> {
    this.trace = device;
  }
}
