/** Joins the parts: the store, the clock, the network and the screens. */
import { mount } from 'svelte';
import App from './App.svelte';
import { BUILD } from './device/build';
import { deviceClock } from './device/clock';
import { browserCodes } from './device/code-writer';
import { browserDevice } from './device/device';
import { deviceIds } from './device/ids';
import { browserLabels } from './device/label-camera';
import { browserPictures } from './device/picture-device';
import { browserUpdates, registerServiceWorker } from './device/service-worker';
import { browserSound } from './device/sound';
import { browserWakeLock } from './device/wake-lock';
import { openedInvitation } from './screens/welcome/invitation';
import { AppUpdate } from './state/app-update.svelte';
import { CaseUse } from './state/case-use.svelte';
import { Cues } from './state/cues.svelte';
import { DeviceFacts } from './state/device-facts.svelte';
import { speakAsKept } from './state/language.svelte';
import { hasLiveCase } from './state/live-on-tablet';
import { Places } from './state/place.svelte';
import { ScreenKeeper } from './state/screen-keeper.svelte';
import { StatusSubject } from './state/status-subject.svelte';
import { Tablet } from './state/tablet.svelte';
import { TabletSettings } from './state/tablet-settings.svelte';
import { UnitRuleBook } from './state/unit-rule-book.svelte';
import { WorkerRecordStore } from './storage/worker-record-store';
import { sayTold } from './text/told';
import './theme.css';

async function start(): Promise<void> {
  const target = document.getElementById('app');
  if (target === null) return;
  const store = new WorkerRecordStore();
  const tablet = new Tablet(store, deviceClock);
  const opened = await store.open();
  if (opened.kind !== 'open') {
    // Fails closed: without a durable store nothing may look recorded.
    target.textContent = sayTold(opened.sentence);
    target.setAttribute('role', 'alert');
    return;
  }
  await speakAsKept(store, new URLSearchParams(location.search).get('speak'));
  await tablet.take(opened);
  const unitRules = new UnitRuleBook(store, deviceClock);
  await unitRules.load();
  const caseUse = new CaseUse({ store, unitRules, today: deviceClock.today });
  const places = new Places(store);
  await places.restore({ name: opened.standing?.role === 'booking' ? 'clinic' : 'cases' });
  const settings = new TabletSettings(store);
  await settings.load();
  const update = new AppUpdate(
    browserUpdates,
    {
      hasLiveCase: () => hasLiveCase(store, places.current),
      hasUnsaved: () => tablet.notSaved !== '',
    },
    BUILD,
  );
  update.noteWorker(store.build);
  const labels = browserLabels(browserPictures);
  labels.keepReader();
  browserCodes.keep();
  if (opened.standing !== null && openedInvitation() !== '') places.go({ name: 'join' });
  mount(App, {
    target,
    props: {
      app: {
        store,
        pictures: { store, device: browserPictures },
        tablet,
        places,
        clock: deviceClock,
        ids: deviceIds,
        unitRules,
        caseUse,
        get ruleBook() {
          return caseUse.ruleBook;
        },
        status: new StatusSubject(store),
      },
      bedside: {
        settings,
        device: new DeviceFacts(browserDevice, opened.persisted),
        cues: new Cues(
          browserSound,
          () => settings.current.loudness,
          deviceClock.monotonicMs,
          later,
        ),
        update,
        keeper: new ScreenKeeper(browserWakeLock),
        labels,
        codes: browserCodes,
      },
    },
  });
}

function later(waitMs: number, work: () => void): () => void {
  const timer = setTimeout(work, waitMs);
  return () => clearTimeout(timer);
}

// Also where the store does not open: the build that mends it has to get in.
void registerServiceWorker();
void start();
