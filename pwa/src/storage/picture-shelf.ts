/**
 * The pictures of this tablet: their bytes, which of them the unit still lacks, and what is named.
 *
 * Bytes are on the disk before a record names them. A file that a crash has cut off is told by its
 * hash and counts as not there.
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import type { Json, KeepPictureAnswer, PictureBytes } from '../ports';
import { tell, whyOf } from '../told';
import { isErased } from './erased-rows';
import { readMeta, writeMeta } from './meta-rows';
import type { OperationStore } from './operation-store';
import type { PictureFiles } from './picture-files';

/** SHA-256 in hexadecimal digits, by which a picture's bytes are named. */
const IS_HASH = /^[0-9a-f]{64}$/;
/** As many bytes as the unit takes for one picture. */
export const MAX_PICTURE_BYTES = 8 * 1024 * 1024;
const UNSENT = 'pictures_unsent';
const SIGNATURES: Readonly<Record<string, readonly number[]>> = {
  'image/jpeg': [0xff, 0xd8, 0xff],
  'image/png': [0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a],
};

/** A picture as a standing record names it. */
export interface NamedPicture {
  record: string;
  sha256: string;
  bytes: number;
}

/** Return what the first bytes of a picture show, null for anything but JPEG and PNG. */
export function mediaTypeOf(bytes: Uint8Array): string | null {
  const found = Object.entries(SIGNATURES).find(([, signature]) =>
    signature.every((byte, place) => bytes[place] === byte),
  );
  return found?.[0] ?? null;
}

export class PictureShelf {
  readonly #store: OperationStore;
  readonly #files: PictureFiles;

  constructor(store: OperationStore, files: PictureFiles) {
    this.#store = store;
    this.#files = files;
  }

  /** Keep a picture that is taken here; its record may be saved once this says `kept`. */
  async keep(record: string, bytes: Uint8Array<ArrayBuffer>): Promise<KeepPictureAnswer> {
    const mediaType = mediaTypeOf(bytes);
    if (mediaType === null) {
      return refuse(tell('noPicture'));
    }
    if (bytes.length > MAX_PICTURE_BYTES) {
      return refuse(tell('pictureTooLarge'));
    }
    const hash = bytesToHex(sha256(bytes));
    try {
      await this.#files.keep(hash, bytes);
      this.noteUnsent(hash, record);
    } catch (error) {
      return { kind: 'not-saved', sentence: tell('pictureRefused', { why: whyOf(error) }) };
    }
    return { kind: 'kept', sha256: hash, mediaType };
  }

  /** Keep a picture that came from the unit. */
  async put(hash: string, bytes: Uint8Array<ArrayBuffer>): Promise<void> {
    await this.#files.keep(hash, bytes);
  }

  /**
   * Return the bytes of a picture, null where they are not here, or not those of its hash.
   *
   * What a record names is whatever somebody wrote: no file is asked for by another name.
   */
  async read(hash: string): Promise<PictureBytes> {
    if (!IS_HASH.test(hash)) return { bytes: null, isUnsent: false };
    const bytes = await this.#files.read(hash);
    const isSound = bytes !== null && bytesToHex(sha256(bytes)) === hash;
    return { bytes: isSound ? bytes : null, isUnsent: hash in this.unsent() };
  }

  /** Pictures that the unit lacks, hash to record. */
  unsent(): Record<string, string> {
    return readMeta<Record<string, string>>(this.#store.database, UNSENT) ?? {};
  }

  noteUnsent(hash: string, record: string): void {
    writeMeta(this.#store.database, UNSENT, { ...this.unsent(), [hash]: record });
  }

  noteSent(hash: string): void {
    const { [hash]: _, ...left } = this.unsent();
    writeMeta(this.#store.database, UNSENT, left);
  }

  /** Pictures that standing records name: all, or those of one case. */
  named(ofCase?: string): NamedPicture[] {
    const query = ofCase === undefined ? {} : { parent: ofCase };
    return this.#store.read({ kind: 'picture', ...query }).flatMap((state) => {
      const held = state.isEnteredInError ? [] : (state.fields.file?.values ?? []);
      return held.flatMap(({ value }) => {
        const named = readFile(value);
        return named === null ? [] : [{ record: state.record, ...named }];
      });
    });
  }

  /**
   * Remove bytes that no standing record names and that the unit does not lack. Those of a picture
   * entered in error go as well, sent or not: the unit takes none of it (a wrong patient's picture).
   */
  async tidy(): Promise<void> {
    const named = this.named();
    for (const [hash, record] of Object.entries(this.unsent())) {
      const [state] = this.#store.read({ kind: 'picture', record });
      const isGone = isErased(this.#store.database, record);
      if (!state?.isEnteredInError && !isGone) continue;
      // The same bytes attached once more: they are sent for the record that stands.
      const other = named.find((picture) => picture.sha256 === hash);
      if (other) this.noteUnsent(hash, other.record);
      else this.noteSent(hash);
    }
    const wanted = new Set([
      ...named.map((picture) => picture.sha256),
      ...Object.keys(this.unsent()),
    ]);
    for (const name of await this.#files.names()) {
      if (!wanted.has(name)) await this.#files.remove(name);
    }
  }
}

function readFile(value: Json): { sha256: string; bytes: number } | null {
  if (typeof value !== 'object' || value === null || Array.isArray(value)) return null;
  const { sha256: hash, bytes } = value as { [part: string]: Json };
  const isNamed = typeof hash === 'string' && IS_HASH.test(hash);
  return isNamed && typeof bytes === 'number' ? { sha256: hash, bytes } : null;
}

function refuse(why: string): KeepPictureAnswer {
  return { kind: 'not-saved', sentence: tell('notSaved', { why }) };
}
