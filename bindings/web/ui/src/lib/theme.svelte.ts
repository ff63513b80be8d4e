/** Day, night, or as the device has it. */
export type Theme = 'auto' | 'day' | 'night';
const KEY = 'embertally/theme';
const dark = matchMedia('(prefers-color-scheme: dark)');

function stored(): Theme {
  const kept = localStorage.getItem(KEY);
  return kept === 'day' || kept === 'night' ? kept : 'auto';
}

class Look {
  choice = $state<Theme>(stored());
  isNight = $state(false);

  apply(): void {
    this.isNight = this.choice === 'night' || (this.choice === 'auto' && dark.matches);
    document.documentElement.dataset['theme'] = this.isNight ? 'night' : 'day';
    document.querySelector('meta[name="theme-color"]')?.setAttribute('content', this.isNight ? '#000000' : '#f4eee2');
  }

  choose(theme: Theme): void {
    this.choice = theme;
    localStorage.setItem(KEY, theme);
    this.apply();
  }
}

export const look = new Look();
look.apply();
dark.addEventListener('change', () => look.apply());
