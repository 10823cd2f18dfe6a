/**
 * The lane of pictures: after the operations, one piece of at most 1 MiB at a time.
 *
 * It stops as soon as operations wait and goes on after their exchange. How much the unit holds is
 * asked first, so that a send that was cut off goes on where it ended.
 */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex } from '@noble/hashes/utils.js';
import type { OperationStore } from '../storage/operation-store';
import { MAX_PICTURE_BYTES, type NamedPicture, type PictureShelf } from '../storage/picture-shelf';
import { tell } from '../told';
import { NoAnswerError, RefusedError, type UnitRequests } from './unit-requests';

export const LARGEST_PIECE_BYTES = 1024 * 1024;
const SMALLEST_PIECE_BYTES = 64 * 1024;
/** Bytes that turn out wrong are sent or fetched once more, then told. */
const MOST_TRIES = 2;
const STATUS_ON_ITS_WAY = 404;
const STATUS_UNNAMED = 409;
const STATUS_TOO_LARGE = 413;
const STATUS_WRONG = 422;

export interface LaneSurroundings {
  /** A picture's bytes have come, or gone. */
  onRecords(records: string[]): void;
  /** Something that a person has to know, "" when it is over. */
  onTrouble(sentence: string): void;
}

interface Standing {
  held: number;
  whole: boolean;
}

/** Operations wait: what is left of the lane comes later. */
class PausedError extends Error {}

export class PictureLane {
  readonly #store: OperationStore;
  readonly #shelf: PictureShelf;
  readonly #requests: UnitRequests;
  readonly #around: LaneSurroundings;
  readonly #tries = new Map<string, number>();
  /** Pictures that are left alone until the next start. */
  readonly #given = new Set<string>();
  /** What has come of pictures that are being fetched. */
  readonly #fetched = new Map<string, Uint8Array<ArrayBuffer>>();
  #pieceBytes = LARGEST_PIECE_BYTES;
  #running: Promise<void> | null = null;
  #stop = new AbortController();

  constructor(
    store: OperationStore,
    shelf: PictureShelf,
    requests: UnitRequests,
    around: LaneSurroundings,
  ) {
    this.#store = store;
    this.#shelf = shelf;
    this.#requests = requests;
    this.#around = around;
  }

  /**
   * Send what the unit lacks, then compare and fetch the pictures of one case.
   *
   * @param openCase - record of the case on screen, "" for none
   */
  run(openCase: string): Promise<void> {
    this.#running ??= this.#work(openCase).finally(() => {
      this.#running = null;
    });
    return this.#running;
  }

  /** Break off at once: operations wait. */
  pause(): void {
    this.#stop.abort();
    this.#stop = new AbortController();
  }

  async #work(openCase: string): Promise<void> {
    const own = this.#store.ownDevice();
    if (own === null || own.token === null || own.role !== 'bedside') return;
    const ofCase = openCase === '' ? [] : this.#shelf.named(openCase);
    const first = new Set(ofCase.map((picture) => picture.sha256));
    const unsent = Object.entries(this.#shelf.unsent()).sort(
      ([one], [other]) => Number(first.has(other)) - Number(first.has(one)),
    );
    try {
      for (const [hash, record] of unsent) {
        await this.#try(hash, () => this.#send(own.token as string, hash, record));
      }
      for (const picture of ofCase) {
        await this.#try(picture.sha256, () => this.#compare(own.token as string, picture));
      }
    } catch (error) {
      // No network, or operations wait: it goes on after the next exchange.
      if (error instanceof NoAnswerError || error instanceof PausedError) return;
      throw error;
    }
  }

  /** Do one picture; what is wrong with it holds up no other. */
  async #try(hash: string, work: () => Promise<void>): Promise<void> {
    if (this.#given.has(hash)) return;
    try {
      await work();
    } catch (error) {
      if (!(error instanceof RefusedError)) throw error;
      this.#judge(hash, error);
    }
  }

  #judge(hash: string, { status, message }: RefusedError): void {
    if (status === STATUS_ON_ITS_WAY) return;
    if (status === STATUS_UNNAMED) {
      this.#given.add(hash);
      return;
    }
    if (status === STATUS_WRONG && this.#countTry(hash) < MOST_TRIES) return;
    if (status === STATUS_WRONG || status === STATUS_TOO_LARGE) {
      this.#tell(hash, tell('pictureNotSent', { why: message }));
    }
  }

  #countTry(hash: string): number {
    const tries = (this.#tries.get(hash) ?? 0) + 1;
    this.#tries.set(hash, tries);
    return tries;
  }

  #tell(hash: string, sentence: string): void {
    this.#given.add(hash);
    this.#around.onTrouble(sentence);
  }

  /** See that the unit holds what is here, and fetch what is not here. */
  async #compare(token: string, picture: NamedPicture): Promise<void> {
    const { bytes } = await this.#shelf.read(picture.sha256);
    if (bytes === null) {
      await this.#fetch(token, picture);
      return;
    }
    const standing = await this.#ask<Standing>(token, pathOf(picture, '/standing'));
    if (standing.whole) return;
    this.#shelf.noteUnsent(picture.sha256, picture.record);
    await this.#send(token, picture.sha256, picture.record);
  }

  async #send(token: string, hash: string, record: string): Promise<void> {
    const picture = { record, sha256: hash };
    const { bytes } = await this.#shelf.read(hash);
    if (bytes === null) {
      this.#tell(hash, tell('pictureDamaged'));
      return;
    }
    let standing = await this.#ask<Standing>(token, pathOf(picture, '/standing'));
    while (!standing.whole) {
      const { held } = standing;
      const piece = bytes.subarray(held, held + this.#pieceBytes);
      standing = await this.#put(token, pathOf(picture, '', held), piece);
      // Two tablets may send one picture; a unit that never goes on would keep the lane busy.
      if (!standing.whole && standing.held <= held) return;
    }
    this.#shelf.noteSent(hash);
    this.#around.onRecords([record]);
  }

  async #fetch(token: string, picture: NamedPicture): Promise<void> {
    const { sha256: hash, record } = picture;
    if (picture.bytes > MAX_PICTURE_BYTES) return;
    let got = this.#fetched.get(hash) ?? new Uint8Array();
    while (got.length < picture.bytes) {
      const piece = await this.#ask<Uint8Array<ArrayBuffer>>(
        token,
        pathOf(picture, '', got.length),
        (path, signal) => this.#requests.file(path, token, signal),
      );
      if (piece.length === 0) break;
      const longer = new Uint8Array(got.length + piece.length);
      longer.set(got);
      longer.set(piece, got.length);
      got = longer;
      this.#fetched.set(hash, got);
    }
    this.#fetched.delete(hash);
    if (got.length !== picture.bytes || bytesToHex(sha256(got)) !== hash) {
      if (this.#countTry(hash) < MOST_TRIES) return this.#fetch(token, picture);
      this.#tell(hash, tell('pictureAltered'));
      return;
    }
    try {
      await this.#shelf.put(hash, got);
    } catch {
      this.#tell(hash, tell('pictureStays'));
      return;
    }
    this.#around.onRecords([record]);
  }

  #put(token: string, path: string, piece: Uint8Array<ArrayBuffer>): Promise<Standing> {
    return this.#ask<Standing>(token, path, (to, signal) =>
      this.#requests.putBytes<Standing>(to, token, piece, signal),
    );
  }

  /** Make one request, unless operations wait. */
  async #ask<Answer>(
    token: string,
    path: string,
    request: (path: string, signal: AbortSignal) => Promise<Answer> = (to) =>
      this.#requests.get<Answer>(to, token),
  ): Promise<Answer> {
    if (this.#store.unsent().count > 0) throw new PausedError();
    const { signal } = this.#stop;
    try {
      const answer = await request(path, signal);
      this.#pieceBytes = Math.min(this.#pieceBytes * 2, LARGEST_PIECE_BYTES);
      return answer;
    } catch (error) {
      if (signal.aborted) throw new PausedError();
      // On a thin line a smaller piece gets through in its time.
      if (error instanceof NoAnswerError) {
        this.#pieceBytes = Math.max(this.#pieceBytes / 2, SMALLEST_PIECE_BYTES);
      }
      throw error;
    }
  }
}

function pathOf(
  { record, sha256: hash }: { record: string; sha256: string },
  part: '' | '/standing',
  offset?: number,
): string {
  const asked = new URLSearchParams({ record });
  if (offset !== undefined) asked.set('offset', `${offset}`);
  return `/api/pictures/${hash}${part}?${asked}`;
}
