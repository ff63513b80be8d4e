import { mount } from 'svelte';
import '../../../../core/src/chart/chart.css';
import './styles/base.css';
import './styles/parts.css';
import App from './App.svelte';
import { begin, desk } from './lib/app.svelte';

const target = document.getElementById('app');
if (target !== null) mount(App, { target });
begin();
// For tests that end the worker on purpose.
Object.assign(globalThis, { embertally: { endWorker: (how: 'trap' | 'kill') => desk.endWorker(how), lives: () => desk.lives, opened: () => desk.took } });
