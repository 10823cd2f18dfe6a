/** A tablet whose disk lies in memory, for the tests alone: never imported by the app. */
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { KeyRing } from './key-ring';
import { KeyRingService } from './key-ring-service';
import { MemoryCopyShelf } from './memory-copy-shelf';
import { MemoryPictureFiles } from './memory-picture-files';
import { type Files, openMemoryPool } from './memory-pool';
import { type MemoryRingShelf, memoryShelves } from './memory-ring-shelves';
import type { OpenedRecords } from './opened-records';
import { picturesUnder } from './picture-files';
import { readMark } from './recovery-share';
import type { ShareShelf } from './share-shelf';
import type { TabletParts } from './tablet-records';

/** Stands for Argon2id, which is tried in key-ring.test.ts: here it only has to be quick. */
const argon = {
  async hash(pin: string, salt: Uint8Array): Promise<Uint8Array> {
    const text = new TextEncoder().encode(`${pin} ${salt.join(' ')}`);
    return new Uint8Array(await crypto.subtle.digest('SHA-256', text));
  },
  calibrate: async () => ({ memoryKiB: 19 * 1024, passes: 2, lanes: 1 }),
};
const random = (bytes: number) => crypto.getRandomValues(new Uint8Array(bytes));

export class MemoryShare implements ShareShelf {
  text: string | null = null;
  async read(): Promise<string | null> {
    return this.text;
  }
  async write(text: string): Promise<void> {
    this.text = text;
  }
  async remove(): Promise<void> {
    this.text = null;
  }
}

/** Everything that outlives a start of the app. */
export class MemoryTabletDisk {
  readonly ring: { files: MemoryRingShelf; indexed: MemoryRingShelf } = memoryShelves();
  files: Files = new Map();
  /** See `MemoryPool`. */
  hasRoom: (name: string, bytes: number) => boolean = () => true;
  copy = new MemoryCopyShelf();
  readonly emergencies = new Map<number, MemoryCopyShelf>();
  readonly pictures = new MemoryPictureFiles();
  readonly emergencyPictures = new MemoryPictureFiles();
  readonly share = new MemoryShare();
  /** Running time, in which PINs wait. */
  ranMs = 0;
  #epochs = 0;

  /** One start of the app on what lies here. */
  async start(): Promise<TabletParts> {
    const pool = await openMemoryPool(this.files);
    this.files = pool.files;
    pool.hasRoom = this.hasRoom;
    const ring = await KeyRing.open(this.ring, {
      nowMs: () => 1_000,
      monotonicMs: () => this.ranMs,
      markOfShare: () => readMark(this.share),
      random,
      argon,
    });
    return {
      pool,
      ring,
      keys: new KeyRingService(ring, async () => ({ kind: 'refused', sentence: '' })),
      recordsCopy: this.copy,
      emergencyCopy: (number) => this.#emergency(number),
      emergencyPictures: (number) => picturesUnder(this.emergencyPictures, `${number}-`),
      pictureFiles: this.pictures,
      share: this.share,
      catalogue: packagedCatalogue(),
      random,
      nowMs: () => 1_000,
      newEpoch: () => `epoch${++this.#epochs}`,
    };
  }

  #emergency(number: number): MemoryCopyShelf {
    const held = this.emergencies.get(number) ?? new MemoryCopyShelf();
    this.emergencies.set(number, held);
    return held;
  }

  /** Every byte and text that lies here, one beside the other. */
  text(): string {
    const decoder = new TextDecoder('latin1');
    const written = (shelf: MemoryCopyShelf) =>
      JSON.stringify([shelf.head, shelf.entries, shelf.plain], (_, part) =>
        part instanceof Uint8Array ? decoder.decode(part) : part,
      );
    return [
      ...[...this.files.values()].map((bytes) => decoder.decode(bytes)),
      ...[this.pictures, this.emergencyPictures]
        .flatMap(({ files }) => [...files.values()])
        .map((bytes) => decoder.decode(bytes)),
      this.ring.files.text(),
      this.ring.indexed.text(),
      this.share.text ?? '',
      ...[this.copy, ...this.emergencies.values()].map(written),
    ].join('\n');
  }
}

/** Save a patient of a name, and wait for the second copy. */
export async function savePatient(
  { store, keeper }: OpenedRecords,
  id: string,
  name: string,
): Promise<void> {
  store.save(
    [{ draftId: `d-${id}`, record: `patient/${id}`, set: { name } }],
    { by: 'staff/s-1', tappedBy: 'staff/s-1' },
    { wallMs: 1_000, newSalt: () => id.padStart(32, '0').replace(/[^0-9a-f]/g, '0') },
  );
  await keeper.keep();
}

/** The patients of opened records, sorted. */
export function patientsOf(records: OpenedRecords): string[] {
  return records.store
    .read({ kind: 'patient' })
    .map(({ record }) => record)
    .sort();
}
