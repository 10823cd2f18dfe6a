/** Joins the parts: the store, the clock, the network and the screens. */
import { mount } from 'svelte';
import App from './App.svelte';
import { deviceClock } from './device/clock';
import { deviceIds } from './device/ids';
import { registerServiceWorker } from './device/service-worker';
import { browserWakeLock } from './device/wake-lock';
import { openedInvitation } from './screens/welcome/invitation';
import { Places } from './state/place.svelte';
import { ScreenKeeper } from './state/screen-keeper.svelte';
import { StatusSubject } from './state/status-subject.svelte';
import { Tablet } from './state/tablet.svelte';
import { UnitRuleBook } from './state/unit-rule-book.svelte';
import { WorkerRecordStore } from './storage/worker-record-store';
import './theme.css';

async function start(): Promise<void> {
  const target = document.getElementById('app');
  if (target === null) return;
  const store = new WorkerRecordStore();
  const tablet = new Tablet(store, deviceClock);
  const opened = await store.open();
  if (opened.kind !== 'open') {
    // Fails closed: without a durable store nothing may look recorded.
    target.textContent = opened.sentence;
    target.setAttribute('role', 'alert');
    return;
  }
  await tablet.take(opened);
  const unitRules = new UnitRuleBook(store, deviceClock);
  await unitRules.load();
  const places = new Places(store);
  await places.restore({ name: opened.standing?.role === 'booking' ? 'clinic' : 'cases' });
  if (opened.standing !== null && openedInvitation() !== '') places.go({ name: 'join' });
  mount(App, {
    target,
    props: {
      app: {
        store,
        tablet,
        places,
        clock: deviceClock,
        ids: deviceIds,
        unitRules,
        get ruleBook() {
          return unitRules.current;
        },
        status: new StatusSubject(store),
      },
      keeper: new ScreenKeeper(browserWakeLock),
    },
  });
}

registerServiceWorker();
void start();
