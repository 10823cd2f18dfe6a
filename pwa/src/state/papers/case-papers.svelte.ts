/** The papers of one case on screen: written here, printed here or fetched as PDF, and given. */
import { sha256 } from '@noble/hashes/sha2.js';
import { bytesToHex, utf8ToBytes } from '@noble/hashes/utils.js';
import type { RuleBook } from '../../clinical-rules/rule-book';
import { canonicalText } from '../../sync/canonical-text';
import { AnswerActs } from '../answer-acts.svelte';
import type { App } from '../app';
import { LiveRecords } from '../live-records.svelte';
import { type RecordState, textOf } from '../shown';
import { PAPER_KINDS, type Paper, type PaperKind } from './paper';
import { PAPER_LANGUAGES } from './paper-words';
import { readShownCase, readUnitSettings } from './read-case';
import type { Parts, ShownCase } from './shown-case';
import { writePaper } from './write-paper';

const FOR_PATIENTS: readonly PaperKind[] = ['patient-leaflet', 'implant-card'];

/** What became of asking the unit for the PDF. */
export type FetchState =
  | { kind: 'none' | 'asking' | 'alone' | 'unsent' | 'fetched' }
  | { kind: 'refused'; sentence: string };

type Save = (content: BlobPart, mediaType: string, name: string) => void;

interface Given {
  paper: PaperKind;
  at: string;
}

export class CasePapers {
  readonly #app: App;
  readonly #book: RuleBook;
  readonly #save: Save;
  readonly #caseId: string;
  readonly #given: LiveRecords;
  readonly #layOut: () => readonly Parts[];
  readonly acts: AnswerActs;
  readonly kinds = PAPER_KINDS;
  readonly languages = PAPER_LANGUAGES;
  #shown = $state.raw<ShownCase | null>(null);
  open = $state.raw<PaperKind | null>(null);
  /** BCP 47 tag; "" until a paper was opened. */
  language = $state('');
  fetchState = $state.raw<FetchState>({ kind: 'none' });

  /**
   * @param save - hands a file to the person
   * @param layOut - lines of the lay-out list as they stand when it is opened
   */
  constructor(app: App, caseId: string, save: Save, layOut: () => readonly Parts[] = () => []) {
    this.#app = app;
    this.#book = app.unitRules.current;
    this.#save = save;
    this.#caseId = caseId;
    this.#layOut = layOut;
    this.#given = new LiveRecords(app.store, {
      kind: 'document_given',
      parent: `case/${caseId}`,
    });
    this.acts = new AnswerActs(app);
  }

  /** The paper on screen, null while none is open or the case is being read. */
  readonly paper: Paper | null = $derived.by(() => {
    const { open, language } = this;
    if (open === null || this.#shown === null) return null;
    return writePaper(open, this.#shown, this.#book, language);
  });

  /** What was given already, oldest first. */
  readonly given = $derived.by((): Given[] =>
    this.#given.list
      .filter((one) => !one.isEnteredInError)
      .map((one: RecordState) => ({
        paper: textOf(one, 'document') as PaperKind,
        at: textOf(one, 'at'),
      }))
      .sort((one, other) => (one.at < other.at ? -1 : 1)),
  );

  /** Open a paper as the record stands now; it does not change while it is open. */
  async show(kind: PaperKind): Promise<void> {
    const { store, clock } = this.#app;
    const today = clock.today();
    const book = this.#book;
    this.fetchState = { kind: 'none' };
    this.#shown = await readShownCase(`case/${this.#caseId}`, {
      store,
      book,
      today,
      layOut: this.#layOut(),
    });
    const read = this.#shown?.patient?.shows.letter_language;
    const wished = FOR_PATIENTS.includes(kind) && typeof read === 'string' ? read : '';
    const asked = (wished || readUnitSettings(book).language).split(/[-_]/)[0]?.toLowerCase() ?? '';
    this.language = this.languages.includes(asked) ? asked : 'en';
    this.open = kind;
  }

  close(): void {
    this.open = null;
  }

  /** Record that the paper on screen was given, with the hash of what it says. */
  async give(words: string): Promise<void> {
    const { paper } = this;
    if (paper === null) return;
    const id = this.#app.ids.newId();
    const set = {
      case: `case/${this.#caseId}`,
      document: paper.paper,
      language: paper.language,
      sha256: bytesToHex(sha256(utf8ToBytes(canonicalText(paper as never)))),
      at: this.#app.clock.nowIso(),
    };
    await this.acts.saveTogether(`give ${paper.paper}`, words, () => [
      { draftId: `document_given-${id}`, record: `document_given/${id}`, set },
    ]);
  }

  /** Let the unit make the PDF of what it holds: what waits here goes there first. */
  async fetchPdf(): Promise<void> {
    const { open, language } = this;
    if (open === null || this.fetchState.kind === 'asking') return;
    this.fetchState = { kind: 'asking' };
    const { unsent, state } = await this.#app.store.exchangeNow();
    if (state !== 'alone' && unsent > 0) {
      this.fetchState = { kind: 'unsent' };
      return;
    }
    const asks = { document: open, case: this.#caseId, language };
    const answer = await this.#app.store.askClinic('paper', asks);
    if (answer.kind === 'not-told') {
      const { sentence } = answer;
      this.fetchState = sentence === '' ? { kind: 'alone' } : { kind: 'refused', sentence };
      return;
    }
    const bytes = Uint8Array.from(atob(answer.pdf), (letter) => letter.charCodeAt(0));
    this.#save(bytes, 'application/pdf', `${open}-${this.#caseId}.pdf`);
    this.fetchState = { kind: 'fetched' };
  }

  dispose(): void {
    this.#given.dispose();
  }
}
