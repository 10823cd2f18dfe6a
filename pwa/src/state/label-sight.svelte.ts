/** The camera that reads codes: opened and closed by a press, and closed whatever ends first. */
import type { LabelScanner, OpenLabelCamera } from '../ports';

export class LabelSight {
  readonly #labels: LabelScanner;
  readonly #found: (codes: readonly string[]) => boolean;
  #isGone = false;
  camera = $state.raw<OpenLabelCamera | null>(null);
  problem = $state<'' | 'no-camera' | 'no-reader'>('');
  isLit = $state(false);

  /** @param found - takes each look's codes; returns whether nothing more is to be read */
  constructor(labels: LabelScanner, found: (codes: readonly string[]) => boolean) {
    this.#labels = labels;
    this.#found = found;
  }

  async open(): Promise<void> {
    const opened = await this.#labels.openCamera();
    if (this.#isGone) opened?.close();
    else if (opened === null) this.problem = 'no-camera';
    else {
      this.problem = '';
      this.camera = opened;
    }
  }

  /** Show the open camera in a video and read codes in it until it is closed. */
  async watch(video: HTMLVideoElement): Promise<void> {
    const watched = this.camera;
    if (watched === null) return;
    video.srcObject = watched.stream;
    await watched.watch(video, (codes) => {
      this.problem = codes === null ? 'no-reader' : '';
      if (codes !== null && this.#found(codes)) this.close();
    });
  }

  turnLight(): void {
    this.isLit = !this.isLit;
    void this.camera?.light?.(this.isLit);
  }

  close(): void {
    this.camera?.close();
    this.camera = null;
    this.isLit = false;
  }

  /** Close for good: a camera that opens after this is closed at once. */
  dispose(): void {
    this.#isGone = true;
    this.close();
  }
}
