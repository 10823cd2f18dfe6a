/** A bench for tests of the bedside: the real store on a disk in memory, and clocks that are moved. */
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Clock, Draft, RecordStore } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { type MemoryDisk, openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import type { App } from './app';
import { askPlan } from './plan';
import { ProcedureSession } from './procedure.svelte';
import { LOCKOUT_MS } from './procedure-turn';
import { Tablet } from './tablet.svelte';
import { readUnitRules } from './unit-rules';

export const START_MS = Date.parse('2026-03-16T08:00:00Z');

/** One tablet: the real store on a disk in memory, and a clock that the test moves. */
export class Bench {
  readonly store: OperationStore;
  readonly app: App;
  readonly memory: Map<string, unknown>;
  readonly session: ProcedureSession;
  wallMs: number;
  monotonicMs = 1_000;
  saves = 0;
  /** Set by a test: the disk is full. */
  isFull = false;
  #listeners = new Set<(records: string[]) => void>();
  #ids = 0;

  constructor(
    readonly disk: MemoryDisk,
    { memory = new Map<string, unknown>(), wallMs = START_MS } = {},
    caseId = 'c1',
  ) {
    this.wallMs = wallMs;
    this.memory = memory;
    this.store = new OperationStore(disk.database, packagedCatalogue());
    if (this.store.ownDevice() === null) {
      this.store.becomeDevice(
        { device: 'tablet-a', role: 'bedside', token: null, unitName: '', streams: [] },
        'epoch1',
      );
      this.write([
        { record: 'patient/p1', set: { family_name: 'Sample', born_on: '1960-01-02' } },
        {
          record: 'case/c1',
          set: {
            patient: 'patient/p1',
            stage: 'planned',
            varix_class: 'GOV2',
            adhesive: ADHESIVE,
            needle: { gauge: 19 },
          },
        },
        {
          record: 'target/t1',
          set: {
            case: 'case/c1',
            label: 'Varix A',
            order: 1,
            size: { short_axis_um: 11_000, origin: 'measured' },
            distance: { measured_um: 23_000 },
          },
        },
        { record: 'stock_item/s14', set: COIL },
      ]);
      const read = (kind: string) => this.store.read({ kind });
      const question = askPlan(read('case')[0] ?? null, read('target'), read('stock_item'));
      if (question.kind !== 'ask') throw new Error('the plan lacks an input');
      this.write(
        [{ record: 'case/c1', set: { plan: { ...PLAN, request: question.request } } }],
        '2',
      );
    }
    const clock: Clock = {
      nowMs: () => this.wallMs,
      monotonicMs: () => this.monotonicMs,
      today: () => '2026-03-16',
      nowIso: () => new Date(this.wallMs).toISOString(),
    };
    const port = this.#port();
    this.app = {
      store: port,
      pictures: null as never,
      keys: null as never,
      lock: null as never,
      clock,
      ids: { newId: () => `i${String(this.wallMs).slice(-9)}x${++this.#ids}` },
      tablet: new Tablet(port, clock),
      places: null as never,
      ruleBook: packagedRuleBook('2026-03-16'),
      caseUse: null as never,
      unitRules: { rules: readUnitRules([], []) } as never,
      status: null as never,
    };
    this.session = new ProcedureSession(this.app, caseId);
  }

  /** Put something into the store as if from an earlier day. */
  write(drafts: Omit<Draft, 'draftId'>[], part = ''): void {
    const who = { by: 'staff/s', tappedBy: 'staff/s' };
    const around = { wallMs: START_MS - 1_000, newSalt: () => 'a'.repeat(32) };
    this.store.save(
      drafts.map((draft) => ({ ...draft, draftId: draft.record.replace('/', '-') + part })),
      who,
      around,
    );
  }

  /** Let time pass and everything that waits be done. */
  async pass(ms = LOCKOUT_MS + 300): Promise<void> {
    this.wallMs += ms;
    this.monotonicMs += ms;
    await this.settle();
  }

  async settle(): Promise<void> {
    await new Promise((resolve) => setTimeout(resolve, 5));
    this.session.noteRedraw();
    await this.session.readStruck();
  }

  standing(kind: string): number {
    return this.store.read({ kind, parent: 'case/c1' }).filter((one) => !one.isEnteredInError)
      .length;
  }

  #port(): RecordStore {
    const { store, memory } = this;
    const port = {
      read: async (query: Parameters<RecordStore['read']>[0]) => store.read(query),
      history: async (record: string) => store.history(record),
      conflicts: async () => store.conflicts(),
      remember: async (name: string, content: unknown) => void memory.set(name, content),
      recall: async (name: string) => memory.get(name) ?? null,
      onRecords: (listener: (records: string[]) => void) => {
        this.#listeners.add(listener);
        return () => this.#listeners.delete(listener);
      },
      onExchange: () => () => {},
      save: async (drafts: readonly Draft[], who: { by: string; tappedBy: string }) => {
        this.saves += 1;
        if (this.isFull) return { kind: 'not-saved', sentence: 'NOT SAVED. The disk is full.' };
        const around = { wallMs: this.wallMs, newSalt: () => 'a'.repeat(32) };
        const { records, references } = store.save(drafts, who, around);
        setTimeout(() => {
          for (const listener of this.#listeners) listener(records.map(({ record }) => record));
        });
        return { kind: 'saved', records, references };
      },
    };
    return port as unknown as RecordStore;
  }
}

const ADHESIVE = { agent: '2-octyl-cyanoacrylate', parts_adhesive: 1, parts_oil: 0 };
const COIL = {
  item: 'coil',
  count: 6,
  name: 'Coil 14 mm',
  coil: { loop_um: 14_000, wire_um: 889, length_um: 140_000 },
  lots: [{ lot: 'L-0417-A', expires_on: '2028-04-30' }],
};
export const PLAN = {
  answer: {
    targets: [
      { label: 'Varix A', needle_stop_um: 21_000, coils: { from: 1, picks: ['stock_item/s14'] } },
    ],
    adhesive: { aliquot_ul: 1_000, aliquot_ms: 45_000, flush_ul: 1_000, flush_media: ['saline'] },
  },
  protocol: {},
};

/** Return a bench with one case that is planned. */
export async function openBench(): Promise<Bench> {
  const bench = new Bench(await openMemoryDisk());
  await bench.settle();
  return bench;
}

/** Return a bench with an emergency: nobody has planned anything. */
export async function openEmergency(more: Omit<Draft, 'draftId'>[] = []): Promise<Bench> {
  const disk = await openMemoryDisk();
  new Bench(disk).write(
    [
      { record: 'patient/p2', set: { family_name: 'Emergency', identity: 'to-be-confirmed' } },
      { record: 'case/c2', set: { patient: 'patient/p2', stage: 'in-procedure' } },
      ...more,
    ],
    'emergency',
  );
  return openAgain(disk, START_MS);
}

/** Return the emergency as it is after the page was closed. */
export async function openAgain(disk: MemoryDisk, wallMs: number): Promise<Bench> {
  const bench = new Bench(disk.reopen(), { wallMs }, 'c2');
  await bench.settle();
  return bench;
}
