/** Bytes of pictures without a disk, for the tests alone: never imported by the app. */
import type { PictureFiles } from './picture-files';

export class MemoryPictureFiles implements PictureFiles {
  readonly files = new Map<string, Uint8Array<ArrayBuffer>>();
  /** The disk has no room from now on. */
  isFull = false;

  async keep(sha256: string, bytes: Uint8Array<ArrayBuffer>): Promise<void> {
    if (this.isFull) throw new DOMException('there is no room', 'QuotaExceededError');
    this.files.set(sha256, bytes.slice());
  }

  async read(sha256: string): Promise<Uint8Array<ArrayBuffer> | null> {
    return this.files.get(sha256)?.slice() ?? null;
  }

  async names(): Promise<string[]> {
    return [...this.files.keys()];
  }

  async remove(sha256: string): Promise<void> {
    this.files.delete(sha256);
  }
}
