import { fileURLToPath } from 'node:url';
import { svelte } from '@sveltejs/vite-plugin-svelte';
import { VitePWA } from 'vite-plugin-pwa';
import { defineConfig } from 'vitest/config';

const folder = (path: string) => fileURLToPath(new URL(path, import.meta.url));

export default defineConfig({
  plugins: [
    svelte(),
    VitePWA({
      registerType: 'prompt',
      injectRegister: false,
      manifest: {
        name: 'Crura case companion',
        short_name: 'Crura',
        description: 'Case companion for EUS-guided treatment of gastric varices',
        start_url: '/',
        display: 'standalone',
        background_color: '#0E1215',
        theme_color: '#0E1215',
        icons: [
          { src: '/icon.svg', sizes: 'any', type: 'image/svg+xml', purpose: 'any' },
          { src: '/icon-maskable.svg', sizes: 'any', type: 'image/svg+xml', purpose: 'maskable' },
        ],
      },
      workbox: {
        globPatterns: ['**/*.{js,css,html,svg,wasm,webmanifest}'],
        // Parts of the SQLite bundle that the synchronous-handle pool never asks for.
        globIgnores: ['**/sqlite3-worker1*.js', '**/sqlite3-opfs-async-proxy*.js'],
        navigateFallback: '/index.html',
        navigateFallbackDenylist: [/^\/api\//, /^\/schema/],
        clientsClaim: true,
        maximumFileSizeToCacheInBytes: 4_000_000,
      },
    }),
  ],
  resolve: {
    alias: {
      '$clinical-data': folder('../api/clinical_rules/data'),
      $catalogue: folder('../api/record_catalogue'),
    },
  },
  server: { fs: { allow: ['..'] } },
  optimizeDeps: { exclude: ['@sqlite.org/sqlite-wasm'] },
  worker: { format: 'es' },
  build: { target: 'es2022', outDir: '../api/static', emptyOutDir: true },
  test: { include: ['src/**/*.test.ts'], environment: 'node' },
});
