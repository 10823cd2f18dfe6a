/** The pictures of one case on screen: their records, their bytes, and the acts on them. */
import type { PictureBytes, RecordState } from '../ports';
import { pictures as words } from '../text/pictures';
import { AnswerActs } from './answer-acts.svelte';
import type { App } from './app';
import { firstStamp } from './case-record.svelte';
import { LiveRecords } from './live-records.svelte';
import type { Size } from './picture-points';
import { structureOf } from './shown';

/** A picture that was taken, drawn again and checked, ready to be kept. */
export interface CheckedPicture {
  bytes: Uint8Array<ArrayBuffer>;
  size: Size;
  takenFrom: 'camera' | 'file';
  covered: number;
}

/** What the record says of the file of a picture; null where nothing can be read. */
export function fileOf(state: RecordState): (Size & { sha256: string; mediaType: string }) | null {
  const file = structureOf(state, 'file');
  if (typeof file?.sha256 !== 'string') return null;
  const { sha256, media_type: mediaType, width_px: width, height_px: height } = file;
  if (typeof width !== 'number' || typeof height !== 'number') return null;
  return { sha256, mediaType: String(mediaType), width, height };
}

export class CasePictures {
  readonly caseRecord: string;
  readonly acts: AnswerActs;
  readonly #app: App;
  readonly #records: LiveRecords;
  readonly #stop: () => void;
  /** Address of the bytes of each picture by hash; "" while they are on their way. */
  #addresses = $state<Record<string, string>>({});
  #unsent = $state<Record<string, boolean>>({});
  isKeeping = $state(false);

  /** @param caseId - id without the kind */
  constructor(app: App, caseId: string) {
    this.#app = app;
    this.caseRecord = `case/${caseId}`;
    this.acts = new AnswerActs(app);
    this.#records = new LiveRecords(app.store, { kind: 'picture', parent: this.caseRecord });
    this.#stop = app.store.onRecords((records) => {
      for (const record of records) if (record.startsWith('picture/')) void this.#look(record);
    });
  }

  get isLoaded(): boolean {
    return this.#records.isLoaded;
  }

  /** Pictures that stand and name a file, oldest first. */
  readonly list = $derived.by(() =>
    this.#records.list
      .filter((state) => !state.isEnteredInError && fileOf(state) !== null)
      .sort((one, other) => (firstStamp(one) < firstStamp(other) ? -1 : 1)),
  );

  /** Records of pictures entered in error: hidden, and nothing measured on them is trusted. */
  readonly struck = $derived.by(
    (): ReadonlySet<string> =>
      new Set(
        this.#records.list.filter((state) => state.isEnteredInError).map(({ record }) => record),
      ),
  );

  /** Address of a picture's bytes, "" while they are on their way, null while they are looked for. */
  addressOf(sha256: string): string | null {
    return this.#addresses[sha256] ?? null;
  }

  isUnsent(sha256: string): boolean {
    return this.#unsent[sha256] ?? false;
  }

  /** Look for the bytes of every picture; call when the list changes. */
  async look(): Promise<void> {
    await Promise.all(this.list.map((state) => this.#look(state.record)));
  }

  async #look(record: string): Promise<void> {
    const state = this.#records.list.find((one) => one.record === record);
    const file = state ? fileOf(state) : null;
    if (file === null) return;
    const { bytes, isUnsent }: PictureBytes = await this.#app.pictures.store.readPicture(
      file.sha256,
    );
    this.#unsent[file.sha256] = isUnsent;
    if (this.#addresses[file.sha256]) return;
    this.#addresses[file.sha256] =
      bytes === null ? '' : URL.createObjectURL(new Blob([bytes], { type: file.mediaType }));
  }

  /**
   * Keep a picture: its bytes first, then the record that names them.
   *
   * @returns whether both are on the disk; else the sentence stands with the tablet
   */
  async keep({ bytes, size, takenFrom, covered }: CheckedPicture): Promise<boolean> {
    if (this.isKeeping) return false;
    this.isKeeping = true;
    try {
      const record = `picture/${this.#app.ids.newId()}`;
      const kept = await this.#app.pictures.store.keepPicture(record, bytes);
      if (kept.kind === 'not-saved') {
        this.#app.tablet.notSaved = kept.sentence;
        return false;
      }
      const draftId = this.#app.ids.newId();
      await this.acts.saveTogether(`picture ${record}`, words.attached, () => [
        {
          draftId,
          record,
          set: {
            case: this.caseRecord,
            file: {
              sha256: kept.sha256,
              bytes: bytes.length,
              media_type: kept.mediaType,
              width_px: size.width,
              height_px: size.height,
            },
            taken_from: takenFrom,
            covered,
            at: this.#app.clock.nowIso(),
          },
        },
      ]);
      return this.#app.tablet.notSaved === '';
    } finally {
      this.isKeeping = false;
    }
  }

  dispose(): void {
    this.#stop();
    this.#records.dispose();
    for (const address of Object.values(this.#addresses)) {
      if (address !== '') URL.revokeObjectURL(address);
    }
  }
}
