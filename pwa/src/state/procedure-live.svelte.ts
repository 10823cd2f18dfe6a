/** Whether another case is live on this tablet: one at a time (HAZ-01). */
import { patientLine } from '../text/patient';
import type { App } from './app';
import { overOf, type RecordState, shown, textOf } from './shown';

export class LiveCase {
  readonly #app: App;
  readonly #caseRecord: string;
  readonly #draftId: string;
  other = $state.raw<RecordState | null>(null);
  otherPatient = $state('');
  isLoaded = $state(false);

  constructor(app: App, caseId: string) {
    this.#app = app;
    this.#caseRecord = `case/${caseId}`;
    this.#draftId = app.ids.newId();
    void this.load();
  }

  async load(): Promise<void> {
    const { store } = this.#app;
    const remembered = await store.recall('live-case');
    this.other = null;
    if (typeof remembered === 'string' && remembered !== this.#caseRecord) {
      const [found] = await store.read({ kind: 'case', record: remembered });
      if (found && textOf(found, 'stage') === 'in-procedure') {
        const patient = shown(found, 'patient');
        const [person] =
          typeof patient === 'string'
            ? await store.read({ kind: 'patient', record: patient })
            : [undefined];
        this.otherPatient = patientLine(person);
        this.other = found;
      }
    }
    this.isLoaded = true;
  }

  /** Move the other case on to Close-out, where its counts wait. */
  async setDown(): Promise<void> {
    const { other } = this;
    if (other === null) return;
    const answer = await this.#app.tablet.save([
      {
        draftId: this.#draftId,
        record: other.record,
        set: { stage: 'closing' },
        over: overOf(other, 'stage'),
        because: 'another case began on this tablet',
      },
    ]);
    if (answer.kind === 'saved') await this.load();
  }
}
