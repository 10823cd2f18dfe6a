/** The check before use as it stands on screen: what is known now, and what its presses do. */
import { inEnglish } from '../text/say';
import type { App } from './app';
import type { BedsideTablet } from './bedside-tablet';
import { CUES } from './cue-tones';
import { APART_MS } from './cues.svelte';
import { factsOfTablet } from './device-facts.svelte';
import { standingGates } from './override';
import { type CheckAct, checkRows, openPoints } from './pre-use-check';

const PROBE = 'check-probe';

export class TabletCheck {
  readonly #app: App;
  readonly #bedside: BedsideTablet;
  #storeReadsBack = $state<boolean | null>(null);
  #soundTest = $state<'not-yet' | 'played' | 'mute'>('not-yet');
  #nowMs = $state(0);
  #soundTimers: ReturnType<typeof setTimeout>[] = [];
  /** Name of the last pedal key pressed here, "" before. */
  pedalKey = $state('');

  constructor(app: App, bedside: BedsideTablet) {
    this.#app = app;
    this.#bedside = bedside;
    this.#nowMs = app.clock.nowMs();
    void this.readAgain();
  }

  readonly rows = $derived.by(() => {
    const { tablet, ruleBook } = this.#app;
    const { settings, device, update, keeper } = this.#bedside;
    const facts = factsOfTablet(device, tablet.exchange, this.#nowMs);
    return checkRows({
      isPersisted: device.isPersisted,
      isPersistenceRefused: device.isPersistenceRefused,
      freeBytes: device.freeBytes,
      storeReadsBack: this.#storeReadsBack,
      hasKey: device.hasKey,
      hasJoined: tablet.standing?.joined ?? false,
      loudness: settings.current.loudness,
      soundTest: this.#soundTest,
      keys: settings.current.keys,
      pedalKey: this.pedalKey,
      canKeepScreenOn: keeper.isKnown,
      battery: device.battery,
      exchange: tablet.exchange,
      nowMs: this.#nowMs,
      build: update.page,
      strangers: update.strangers,
      update: update.standing,
      installing: device.installing,
      remarks: Object.fromEntries(
        standingGates(ruleBook, facts).map(({ gate }) => [gate.id, inEnglish(gate.text)]),
      ),
    });
  });
  readonly open = $derived.by(() => openPoints(this.rows));
  readonly noted = $derived.by(() => this.#bedside.settings.current.check);

  /** Read again what changes without being told; call when shown, and now and then. */
  async readAgain(): Promise<void> {
    this.#nowMs = this.#app.clock.nowMs();
    await Promise.all([this.#bedside.device.readAgain(), this.#probeStore()]);
  }

  /** Do what a row offers. */
  async act(act: CheckAct): Promise<void> {
    const { device, update } = this.#bedside;
    switch (act) {
      case 'persist':
        await device.askForPersistence();
        break;
      case 'sound':
        this.#playAll();
        break;
      case 'install':
        await device.askToInstall();
        break;
      case 'exchange':
        await this.#app.store.exchangeNow();
        break;
      case 'update':
        await update.letIn();
        break;
      case 'pedal':
        break;
    }
    this.#nowMs = this.#app.clock.nowMs();
  }

  /** Note that the check was looked through, with its open points. */
  async note(): Promise<void> {
    const { clock, tablet } = this.#app;
    await this.#bedside.settings.change({
      check: {
        on: clock.today(),
        at: clock.nowIso(),
        by: tablet.whoTapsName,
        openPoints: this.open,
      },
    });
  }

  dispose(): void {
    for (const timer of this.#soundTimers) clearTimeout(timer);
  }

  /** Write something new and read it back: the store works from end to end. */
  async #probeStore(): Promise<void> {
    const { store, ids } = this.#app;
    const probe = ids.newId();
    try {
      await store.remember(PROBE, probe);
      this.#storeReadsBack = (await store.recall(PROBE)) === probe;
    } catch {
      this.#storeReadsBack = false;
    }
  }

  /** The four sounds, far enough apart to be single tones (HAZ-20). */
  #playAll(): void {
    const { cues } = this.#bedside;
    cues.unlock();
    this.dispose();
    this.#soundTimers = CUES.map((cue, turn) =>
      setTimeout(
        () => {
          cues.give(cue);
          this.#soundTest = cues.isMute ? 'mute' : 'played';
        },
        200 + turn * (APART_MS + 200),
      ),
    );
  }
}
