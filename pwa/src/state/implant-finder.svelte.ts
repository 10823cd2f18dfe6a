/**
 * Finds implants by what stands on their labels: here at once, then at the unit, which knows all.
 * Every search is recorded, with who searched and why (HAZ-46).
 */

import type { ClinicExchange, UnitImplant } from '../clinic-questions';
import { ClinicalRuleError } from '../clinical-rules/errors';
import { findCautions, makeSearch, type Search } from '../clinical-rules/implant-search';
import { readLookAlikes, readTraceFile } from '../clinical-rules/lot-names';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Clock, IdSource, Json, RecordState, RecordStore } from '../ports';
import { writeCsv } from './csv-text';
import { countPatients, fillFinds, findImplants, joinFinds, readImplants } from './implant-list';
import {
  type FoundImplant,
  type HeldRecords,
  IMPLANT_KINDS,
  type SaidBefore,
} from './implant-owners';
import { LiveRecords } from './live-records.svelte';
import { readBefore } from './patient-implants.svelte';
import type { Tablet } from './tablet.svelte';

/** What was found and who says so. */
export interface SearchAnswer {
  from: 'tablet' | 'unit';
  search: Search;
  rows: readonly FoundImplant[];
  found: number;
  unknown: number;
  cautions: readonly string[];
  /** The record of this search. */
  entry: string;
  /** Whom to write to; null before the unit has made it. */
  letters: FoundLetters | null;
}

/** Whom to write to, as CSV, and the letters as PDF, null where none was asked for or made. */
export interface FoundLetters {
  csv: string;
  pdf: Uint8Array<ArrayBuffer> | null;
  printed: number;
  withheld: number;
  /** Nobody has reviewed the sentences of one of them. */
  hasDraft: boolean;
}

/** How the unit stands to the search: "alone" where there is none. */
export type UnitStanding =
  | { kind: 'not-asked' | 'asking' | 'alone' | 'told' }
  | { kind: 'not-told'; sentence: string };

const HEADER = [
  'group',
  'differs',
  'number',
  'name',
  'born_on',
  'item',
  'record_kind',
  'fate',
  'on_day',
  'site',
  'identifier',
  'lot',
  'serial',
  'expires_on',
  'case',
  'recorded_on',
  'record',
  'marks',
];

interface Surroundings {
  store: RecordStore;
  clock: Clock;
  ids: IdSource;
  tablet: Tablet;
  readonly ruleBook: RuleBook;
}

/** The records around implants, kept current, with what the struck ones said before. */
export class HeldImplants {
  readonly #store: RecordStore;
  readonly #live: Record<'cases' | 'patients' | 'visits' | 'sites', LiveRecords>;
  readonly #implants: readonly LiveRecords[];
  readonly #items: LiveRecords;
  #before = $state.raw<SaidBefore>(new Map());
  #asked = '';

  constructor(store: RecordStore) {
    this.#store = store;
    this.#implants = IMPLANT_KINDS.map((kind) => new LiveRecords(store, { kind }));
    this.#items = new LiveRecords(store, { kind: 'stock_item' });
    this.#live = {
      cases: new LiveRecords(store, { kind: 'case' }),
      patients: new LiveRecords(store, { kind: 'patient' }),
      visits: new LiveRecords(store, { kind: 'visit' }),
      sites: new LiveRecords(store, { kind: 'site' }),
    };
  }

  readonly isLoaded = $derived.by(() =>
    [...this.#implants, this.#items, ...Object.values(this.#live)].every((one) => one.isLoaded),
  );
  readonly records = $derived.by((): HeldRecords => {
    const { cases, patients, visits, sites } = this.#live;
    return {
      implants: this.#implants.flatMap(({ list }) => list),
      cases: cases.list,
      patients: patients.list,
      visits: visits.list,
      sites: sites.list,
      before: this.#before,
    };
  });
  readonly held = $derived.by(() => readImplants(this.records));

  /** The unit's list. */
  get items(): readonly RecordState[] {
    return this.#items.list;
  }

  /** Return what a search finds here. */
  find(search: Search, ruleBook: RuleBook): FoundImplant[] {
    const lookAlikes = readLookAlikes(readTraceFile(ruleBook));
    return findImplants(this.held, this.records, search, lookAlikes, this.#items.list);
  }

  /** Read what the struck records said before; to be called before each search. */
  async settle(): Promise<void> {
    const { implants, cases, patients } = this.records;
    const struck = [...implants, ...cases, ...patients].filter((one) => one.isEnteredInError);
    const asked = JSON.stringify(
      struck.map(({ record, struck: references }) => [record, references]),
    );
    if (asked === this.#asked) return;
    this.#before = await readBefore(this.#store, struck);
    this.#asked = asked;
  }

  dispose(): void {
    for (const one of [...this.#implants, this.#items, ...Object.values(this.#live)]) one.dispose();
  }
}

export class ImplantFinder {
  readonly #around: Surroundings;
  readonly holding: HeldImplants;
  #turn = 0;
  answer = $state.raw<SearchAnswer | null>(null);
  unit = $state.raw<UnitStanding>({ kind: 'not-asked' });
  /** Why there was no search, "" where there was one. */
  refusal = $state('');

  constructor(around: Surroundings) {
    this.#around = around;
    this.holding = new HeldImplants(around.store);
  }

  /**
   * Search here, record the search, then ask the unit.
   *
   * @param read - what is searched for, by the keys of LT
   * @param because - why, as the record keeps it
   */
  async search(read: Search, because: string): Promise<void> {
    const turn = ++this.#turn;
    const { tablet, clock, ids, ruleBook } = this.#around;
    this.unit = { kind: 'not-asked' };
    let search: Search;
    try {
      search = makeSearch(read);
    } catch (error) {
      if (!(error instanceof ClinicalRuleError)) throw error;
      this.refusal = error.message;
      return;
    }
    this.refusal = '';
    await this.holding.settle();
    const rows = this.holding.find(search, ruleBook);
    const counts = countPatients(rows);
    const cautions = findCautions(search);
    const id = ids.newId();
    const entry = `lot_search/${id}`;
    this.answer = { from: 'tablet', search, rows, ...counts, cautions, entry, letters: null };
    await tablet.save([
      {
        draftId: id,
        record: entry,
        set: { criteria: criteriaOf(search), ...counts, because, at: clock.nowIso() },
      },
    ]);
    if (turn === this.#turn) await this.askUnit(because);
  }

  /**
   * Ask the unit what it knows of the search that is shown; what stands here alone stays.
   *
   * @param wants - whom to write to besides: as a list, or with a letter to each
   */
  async askUnit(because: string, wants: 'nothing' | 'list' | 'letters' = 'nothing'): Promise<void> {
    const { store, tablet, ruleBook } = this.#around;
    const shown = this.answer;
    if (shown === null || this.unit.kind === 'asking') return;
    if (tablet.standing?.joined !== true) {
      this.unit = { kind: 'alone' };
      return;
    }
    const turn = this.#turn;
    this.unit = { kind: 'asking' };
    // What waits here goes there first: the unit looks through what it holds.
    await store.exchangeNow();
    const told = await store.askClinic('implants', {
      search: shown.search,
      by: tablet.whoTaps || 'staff/unnamed',
      because,
      entry: shown.entry,
      with_letters: wants !== 'nothing',
      with_pdf: wants === 'letters',
    });
    if (turn !== this.#turn) return;
    if (told.kind === 'not-told') {
      this.unit = told.sentence === '' ? { kind: 'alone' } : told;
      return;
    }
    const { found, letters } = told;
    const own = this.holding.find(shown.search, ruleBook);
    const theirs = fillFinds(found.implants.map(rowOf), own, this.holding.items);
    const rows = joinFinds(theirs, own);
    this.answer = {
      from: 'unit',
      search: shown.search,
      rows,
      ...countPatients(rows),
      cautions: found.cautions,
      entry: shown.entry,
      letters: letters && lettersOf(letters),
    };
    this.unit = { kind: 'told' };
  }

  /** Return the list on screen as CSV. */
  csv(): string {
    return writeCsv(HEADER, (this.answer?.rows ?? []).map(cellsOf));
  }

  /** Take the answer off the screen; what is still being asked is dropped. */
  forget(): void {
    this.#turn++;
    this.answer = null;
    this.unit = { kind: 'not-asked' };
    this.refusal = '';
  }

  dispose(): void {
    this.#turn++;
    this.holding.dispose();
  }
}

/**
 * Return what was searched for as the record keeps it: several lots parted by semicolons. The period
 * is part of it: who reads it later sees of which days the unknown were listed.
 */
export function criteriaOf(search: Search): Record<string, Json> {
  const held = {
    identifier: search.identifier,
    lot: (search.lots ?? []).join('; '),
    serial: search.serial,
    expires_from: search.expires_from,
    expires_to: search.expires_to,
    item: search.item,
    from_on: search.from_on,
    to_on: search.to_on,
  };
  return Object.fromEntries(
    Object.entries(held).filter((one): one is [string, string] => Boolean(one[1])),
  );
}

type ToldLetters = NonNullable<ClinicExchange['implants']['told']['letters']>;

function lettersOf({ letters, csv, pdf }: ToldLetters): FoundLetters {
  return {
    csv,
    pdf: pdf === null ? null : Uint8Array.from(atob(pdf), (letter) => letter.charCodeAt(0)),
    printed: letters.filter(({ page }) => page > 0).length,
    withheld: letters.filter(({ withheld }) => withheld !== '').length,
    hasDraft: letters.some((one) => one.is_draft),
  };
}

/** Return a row of the unit as one of ours, with the stock item that it names. */
function rowOf(one: UnitImplant): FoundImplant & { stock: string } {
  return {
    stock: one.stock ?? '',
    group: one.group,
    differs: one.differs,
    record: one.record,
    kind: one.record.slice(0, one.record.indexOf('/')),
    item: one.item,
    fate: one.fate,
    identifier: one.identifier,
    lot: one.lot,
    serial: one.serial,
    expiresOn: one.expires_on,
    on: one.on_day,
    case: one.case,
    patient: one.patient,
    number: one.number,
    name: one.name,
    bornOn: one.born_on,
    site: one.site,
    recordedOn: one.recorded_on,
    marks: one.marks,
  };
}

function cellsOf(one: FoundImplant): string[] {
  return [
    one.group,
    one.differs.join(' '),
    one.number,
    one.name,
    one.bornOn,
    one.item,
    one.kind,
    one.fate,
    one.on,
    one.site,
    one.identifier,
    one.lot,
    one.serial,
    one.expiresOn,
    one.case,
    one.recordedOn,
    one.record,
    one.marks.join(' '),
  ];
}
